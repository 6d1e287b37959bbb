/* The hardware layer: all that a port to another microcontroller has to write. */
#ifndef HAL_H
#define HAL_H

#include <stdbool.h>
#include <stdint.h>

#include "config.h"

struct sample {
    uint32_t time_us;       /* middle of the burst of conversions, wraps at 2^32 */
    uint16_t sum[CHANNELS]; /* OVERSAMPLE conversions of 0..ADC_FULL, added */
    uint16_t missed;        /* sampling instants before this one that gave no sample */
    bool reference_bad;
};

void hal_start(void);

/* Sleeps until the next sample is there and takes it. False: there will be no more (host build only). */
bool hal_wait(struct sample *sample);

/* Takes the oldest belt mark not yet taken; false when there is none. Time from the capture hardware. */
bool hal_mark(uint32_t *time_us);

/* Pulley ticks since start-up, and the instant of the last one. */
uint32_t hal_ticks(uint32_t *time_us);

/* Push-buttons held down now: bit 0 is button 1. */
uint8_t hal_buttons(void);

/* True while the test-pattern jumper is fitted. */
bool hal_test_jumper(void);

/* Hands a whole line to the serial line, or nothing when there is no room. Never waits. */
bool hal_send(const char *line, uint8_t length);

#endif
