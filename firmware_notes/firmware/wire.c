#include "wire.h"

uint16_t wire_crc(const char *bytes, uint8_t length)
{
    uint16_t crc = 0xFFFFU;
    for (uint8_t i = 0; i < length; i++) { /* one byte at a time without a table: 8 shifts folded into 4 */
        crc = (uint16_t)((crc >> 8) | (crc << 8));
        crc ^= (uint8_t)bytes[i];
        crc ^= (crc & 0xFFU) >> 4;
        crc ^= (uint16_t)(crc << 12);
        crc ^= (uint16_t)((crc & 0xFFU) << 5);
    }
    return crc;
}

static char digit(uint8_t value)
{
    return (char)(value < 10 ? '0' + value : 'A' + value - 10);
}

static char *put_byte(char *at, uint8_t value)
{
    *at++ = digit(value >> 4);
    *at++ = digit(value & 0x0FU);
    return at;
}

static char *put_word(char *at, uint16_t value)
{
    return put_byte(put_byte(at, (uint8_t)(value >> 8)), (uint8_t)value);
}

static char *put_long(char *at, uint32_t value)
{
    return put_word(put_word(at, (uint16_t)(value >> 16)), (uint16_t)value);
}

/* "E,seq,time," */
static char *put_head(char *line, char kind, uint16_t seq, uint32_t time_us)
{
    char *at = line;
    *at++ = kind;
    *at++ = ',';
    at = put_word(at, seq);
    *at++ = ',';
    at = put_long(at, time_us);
    *at++ = ',';
    return at;
}

/* "*crc\r\n" */
static uint8_t finish(char *line, char *at)
{
    uint16_t crc = wire_crc(line, (uint8_t)(at - line));
    *at++ = '*';
    at = put_word(at, crc);
    *at++ = '\r';
    *at++ = '\n';
    return (uint8_t)(at - line);
}

uint8_t wire_edge(char *line, uint16_t seq, uint32_t time_us, uint8_t flags, const uint16_t *counts,
                  uint8_t channels)
{
    char *at = put_byte(put_head(line, 'E', seq, time_us), flags);
    for (uint8_t i = 0; i < channels && i < WIRE_MAX_CHANNELS; i++) {
        *at++ = ',';
        at = put_word(at, counts[i]);
    }
    return finish(line, at);
}

uint8_t wire_mark(char *line, uint16_t seq, uint32_t time_us, uint16_t count)
{
    return finish(line, put_word(put_head(line, 'M', seq, time_us), count));
}

uint8_t wire_ticks(char *line, uint16_t seq, uint32_t time_us, uint32_t ticks)
{
    return finish(line, put_long(put_head(line, 'T', seq, time_us), ticks));
}

uint8_t wire_button(char *line, uint16_t seq, uint32_t time_us, uint8_t button)
{
    return finish(line, put_byte(put_head(line, 'B', seq, time_us), button));
}

uint8_t wire_hello(char *line, uint16_t seq, uint32_t time_us, uint32_t board, uint8_t channels,
                   uint16_t rate_hz)
{
    char *at = put_byte(put_head(line, 'H', seq, time_us), WIRE_VERSION);
    *at++ = ',';
    at = put_long(at, board);
    *at++ = ',';
    at = put_byte(at, channels);
    *at++ = ',';
    return finish(line, put_word(at, rate_hz));
}
