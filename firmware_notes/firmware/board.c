#include "board.h"

#include "wire.h"

static uint16_t seq;
static uint16_t mark_count;
static uint32_t last_mark_us;
static uint32_t pending_mark_us;
static bool mark_pending;
static bool samples_lost;
static uint16_t to_hello; /* samples until the next hello: 0 = now */
static uint8_t to_ticks;
static uint8_t held_samples;
static uint8_t buttons_told;
static uint32_t pressed_us;
static uint16_t pattern;

static char line[WIRE_MAX_LINE];

/* seq counts records made, sent or not, so that a reader's seq and time always agree. */
static bool send(uint8_t length)
{
    if (!hal_send(line, length))
        return false;
    seq++;
    return true;
}

static void tell_hello(uint32_t now_us)
{
    if (to_hello > 0) {
        to_hello--;
        return;
    }
    if (send(wire_hello(line, seq, now_us, BOARD_ID, CHANNELS, RATE_HZ)))
        to_hello = HELLO_SAMPLES - 1U;
}

/* A mark that finds no room on the line waits for the next sample: its time was captured already. */
static void tell_marks(void)
{
    while (mark_pending || hal_mark(&pending_mark_us)) {
        if (!mark_pending) {
            if (mark_count > 0 && pending_mark_us - last_mark_us < MARK_HOLDOFF_US)
                continue; /* bounce */
            mark_count++;
            last_mark_us = pending_mark_us;
        }
        mark_pending = !send(wire_mark(line, seq, pending_mark_us, mark_count));
        if (mark_pending)
            return;
    }
}

static void tell_ticks(void)
{
    uint32_t time_us;
    uint32_t ticks;
    if (to_ticks > 0) {
        to_ticks--;
        return;
    }
    ticks = hal_ticks(&time_us);
    if (ticks == 0) /* no tick sensor, or a pulley that never turned */
        return;
    if (send(wire_ticks(line, seq, time_us, ticks)))
        to_ticks = TICK_SAMPLES - 1U;
}

/* A press counts when the same buttons were down for DEBOUNCE_SAMPLES; it is told once, with its first instant. */
static void tell_buttons(uint32_t now_us)
{
    static uint8_t last;
    uint8_t down = hal_buttons();
    if (down != last || down == 0) {
        last = down;
        held_samples = 0;
        pressed_us = now_us;
        buttons_told &= down;
        return;
    }
    if (held_samples < DEBOUNCE_SAMPLES) {
        held_samples++;
        return;
    }
    for (uint8_t button = 1; button <= 8; button++) {
        uint8_t bit = (uint8_t)(1U << (button - 1U));
        if ((down & bit) && !(buttons_told & bit) && send(wire_button(line, seq, pressed_us, button)))
            buttons_told |= bit;
    }
}

/* Conversions of 0..ADC_FULL become 0000..FFFF, so that the rails of the wire are the rails of the converter.
 * A current loop that reports a fault, or is broken, is put on the rail, too: no reader then takes it for a place. */
static uint16_t to_counts(uint8_t channel, uint16_t sum)
{
    const uint32_t full = (uint32_t)OVERSAMPLE * ADC_FULL;
    uint16_t counts = (uint16_t)(((uint32_t)sum * 65535UL + full / 2UL) / full);
    if ((LOOP_CHANNELS >> channel) & 1U) {
        if (counts <= LOOP_FAULT_LOW)
            return 0;
        if (counts >= LOOP_FAULT_HIGH)
            return 0xFFFFU;
    }
    return counts;
}

static void tell_edges(const struct sample *sample)
{
    uint16_t counts[CHANNELS];
    uint8_t flags = 0;
    bool test = hal_test_jumper();
    for (uint8_t i = 0; i < CHANNELS; i++)
        counts[i] = test ? (uint16_t)(pattern + i * 0x1000U) : to_counts(i, sample->sum[i]);
    if (test)
        pattern += 16;
    if (samples_lost)
        flags |= WIRE_FLAG_LOST;
    if (sample->reference_bad)
        flags |= WIRE_FLAG_REFERENCE;
    if (test)
        flags |= WIRE_FLAG_TEST;
    if (send(wire_edge(line, seq, sample->time_us, flags, counts, CHANNELS))) {
        samples_lost = false;
    } else {
        seq++;
        samples_lost = true;
    }
}

void board_step(const struct sample *sample)
{
    if (sample->missed > 0) {
        seq = (uint16_t)(seq + sample->missed);
        samples_lost = true;
    }
    tell_hello(sample->time_us - SAMPLE_DELAY_US); /* the sampling instant: before the E record's own time */
    tell_marks();
    tell_ticks();
    tell_buttons(sample->time_us);
    tell_edges(sample);
}
