/* The host's hardware layer: inputs come as a script on standard input, bytes go to standard output.
 *
 * The script is the one the simulated board takes, too: lines in time order, times in microseconds of the
 * board's clock, each `TIME WHAT VALUES`:
 *
 *     volts V0 V1 ...   millivolts on the channels from then on       avcc V    supply and reference, millivolts
 *     mark 0|1  tick 0|1  button1 0|1  button2 0|1  jumper 0|1        level of that input (1 = idle, 0 = active)
 *     go                nothing changes until then
 *     room 0|1          whether the serial line has room for a line (host build only)
 */
#include "hal.h"

#include <stdio.h>
#include <string.h>

#define BANDGAP_MV 1100UL
#define MARKS 1024U

static unsigned long volts_mv[CHANNELS];
static unsigned long avcc_mv = 5000;
static bool mark_level = true, tick_level = true, jumper_level = true;
static bool room = true;
static bool button_level[2] = {true, true};
static uint32_t marks_us[MARKS];
static unsigned marks_in, marks_out;
static uint32_t ticks, tick_us;
static unsigned long long sampling_us; /* board time of the present sampling instant, not wrapped */

static char text[256];
static unsigned long long text_us;
static bool text_held, text_ended;

static bool next_line(void)
{
    if (!text_held && !text_ended) {
        text_held = fgets(text, sizeof text, stdin) != NULL && sscanf(text, "%llu", &text_us) == 1;
        text_ended = !text_held;
    }
    return text_held;
}

static void apply(void)
{
    char what[16] = "";
    int at = 0;
    sscanf(text, "%*u %15s%n", what, &at);
    if (strcmp(what, "volts") == 0) {
        const char *rest = text + at;
        for (unsigned i = 0; i < CHANNELS; i++) {
            int used = 0;
            if (sscanf(rest, "%lu%n", &volts_mv[i], &used) != 1)
                break;
            rest += used;
        }
        return;
    }
    unsigned long value = 0;
    sscanf(text + at, "%lu", &value);
    bool level = value != 0;
    if (strcmp(what, "avcc") == 0) {
        avcc_mv = value;
    } else if (strcmp(what, "mark") == 0) {
        if (mark_level && !level && marks_in - marks_out < MARKS)
            marks_us[marks_in++ % MARKS] = (uint32_t)text_us;
        mark_level = level;
    } else if (strcmp(what, "tick") == 0) {
        if (tick_level && !level) {
            ticks++;
            tick_us = (uint32_t)text_us;
        }
        tick_level = level;
    } else if (strcmp(what, "button1") == 0) {
        button_level[0] = level;
    } else if (strcmp(what, "button2") == 0) {
        button_level[1] = level;
    } else if (strcmp(what, "jumper") == 0) {
        jumper_level = level;
    } else if (strcmp(what, "room") == 0) {
        room = level;
    }
}

/* Applies the script up to that time; false when it ends sooner. */
static bool play_until(unsigned long long until_us)
{
    while (next_line()) {
        if (text_us > until_us)
            return true;
        apply();
        text_held = false;
    }
    return false;
}

static uint16_t convert(unsigned long mv)
{
    unsigned long value = mv * ADC_FULL / avcc_mv;
    return (uint16_t)(value > ADC_FULL ? ADC_FULL : value);
}

void hal_start(void)
{
}

bool hal_wait(struct sample *sample)
{
    sampling_us += PERIOD_US;
    memset(sample, 0, sizeof *sample);
    uint16_t reference = 0;
    for (unsigned i = 0; i < CONVERSIONS; i++) {
        if (!play_until(sampling_us + i * CONVERSION_US))
            return false;
        if (i < SETTLE_CONVERSIONS)
            reference = convert(BANDGAP_MV);
        else
            sample->sum[(i - SETTLE_CONVERSIONS) % CHANNELS] += convert(volts_mv[(i - SETTLE_CONVERSIONS) % CHANNELS]);
    }
    if (!play_until(sampling_us + BURST_US))
        return false;
    sample->time_us = (uint32_t)(sampling_us + SAMPLE_DELAY_US);
    sample->reference_bad = reference + REFERENCE_TOLERANCE < REFERENCE_NOMINAL ||
                            reference > REFERENCE_NOMINAL + REFERENCE_TOLERANCE;
    return true;
}

bool hal_mark(uint32_t *time_us)
{
    if (marks_in == marks_out)
        return false;
    *time_us = marks_us[marks_out++ % MARKS];
    return true;
}

uint32_t hal_ticks(uint32_t *time_us)
{
    *time_us = tick_us;
    return ticks;
}

uint8_t hal_buttons(void)
{
    return (uint8_t)((button_level[0] ? 0U : 1U) | (button_level[1] ? 0U : 2U));
}

bool hal_test_jumper(void)
{
    return !jumper_level;
}

bool hal_send(const char *line, uint8_t length)
{
    return room && fwrite(line, 1, length, stdout) == length;
}
