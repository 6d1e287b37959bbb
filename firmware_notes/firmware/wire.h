/* Wire format 1: records as text. Pure: no hardware, no state, no allocation. */
#ifndef WIRE_H
#define WIRE_H

#include <stdint.h>

#define WIRE_VERSION 1
#define WIRE_MAX_CHANNELS 20 /* 18 + 5 * 20 = 118 bytes before the '*'; the limit is 120 */
#define WIRE_MAX_LINE 128    /* a whole line with "*crc\r\n" */

#define WIRE_FLAG_LOST 0x01
#define WIRE_FLAG_REFERENCE 0x02
#define WIRE_FLAG_TEST 0x04

/* CRC-16, polynomial 1021, initial value FFFF, not reflected, no final xor: "123456789" gives 29B1. */
uint16_t wire_crc(const char *bytes, uint8_t length);

/* Each writes one line with its \r\n (no closing zero) and returns its length in bytes. */
uint8_t wire_edge(char *line, uint16_t seq, uint32_t time_us, uint8_t flags, const uint16_t *counts,
                  uint8_t channels);
uint8_t wire_mark(char *line, uint16_t seq, uint32_t time_us, uint16_t count);
uint8_t wire_ticks(char *line, uint16_t seq, uint32_t time_us, uint32_t ticks);
uint8_t wire_button(char *line, uint16_t seq, uint32_t time_us, uint8_t button);
uint8_t wire_hello(char *line, uint16_t seq, uint32_t time_us, uint32_t board, uint8_t channels,
                   uint16_t rate_hz);

#endif
