/* ATmega328P at 16 MHz.
 *
 *   Timer 1  2 MHz, counts one sampling period and starts again: it is the board's clock, the sampling
 *            timer and, by its capture unit, the belt mark's stop-watch, so these three never disagree.
 *   ADC      125 kHz, all channels in turn, OVERSAMPLE rounds, by interrupt.
 *   UART     a ring of 256 bytes emptied by interrupt; a line goes in whole or not at all.
 *   Watchdog 0.25 s, fed only by samples: a converter or a program that stands still restarts the board.
 *
 *   ADC0.. (PC0..)  edge sensors        PB0 (ICP1)  belt mark, active low     PD1 (TXD)  serial line
 *   PD2 (INT0)      pulley ticks, low   PD3, PD4    buttons 1, 2 to ground    PD5  test-pattern jumper to ground
 *   PB5             lamp: lit while the mark sensor sees the mark
 */
#include "hal.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <util/atomic.h>

#ifndef F_CPU
#define F_CPU 16000000UL
#endif
#define TIMER_PER_US 2UL /* 16 MHz / 8 */
#define TIMER_TOP (PERIOD_US * TIMER_PER_US - 1UL)
#define TICK_LATENCY_US 2UL /* from the edge to reading the timer, processor idle */
#define MARKS 4U            /* marks waiting to be told, a power of two */
#define REFERENCE_AVCC _BV(REFS0)
#define MUX_BANDGAP 0x0EU
#define UBRR_VALUE ((F_CPU / 4UL / BAUD - 1UL) / 2UL) /* double speed, rounded */

_Static_assert(F_CPU == 16000000UL, "the timer's prescaler is chosen for 16 MHz");
_Static_assert(TIMER_TOP <= 65535UL, "the sampling period must fit the 16-bit timer");

static volatile uint32_t base_us; /* board time when the timer last passed zero */

static volatile bool burst_running;
static volatile uint32_t burst_us;
static volatile uint8_t conversion;
static volatile uint8_t channel;
static volatile uint16_t sums[CHANNELS];
static volatile uint16_t reference;
static volatile bool ready;
static volatile struct sample taken;
static volatile uint16_t missed;

static volatile uint32_t mark_us[MARKS];
static volatile uint8_t marks_in, marks_out;
static volatile uint32_t ticks, tick_us;

static volatile char ring[256];
static volatile uint8_t ring_in, ring_out;

/* After a watchdog reset the watchdog is still on, and short: it must be put off before anything else. */
void watchdog_off(void) __attribute__((naked, used, section(".init3")));
void watchdog_off(void)
{
    MCUSR = 0;
    wdt_disable();
}

/* Board time of timer value `at`, which lies less than one period back. Interrupts must be off. */
static inline uint32_t time_of(uint16_t at)
{
    uint16_t now = TCNT1;
    uint32_t base = base_us;
    if ((TIFR1 & _BV(OCF1A)) && now < TIMER_TOP / 2U)
        base += PERIOD_US; /* the timer has passed zero, its interrupt is still to come */
    if (at > now)
        base -= PERIOD_US; /* `at` was before zero, now is after */
    return base + at / TIMER_PER_US;
}

ISR(TIMER1_CAPT_vect)
{
    uint32_t at_us = time_of(ICR1);
    uint8_t next = (uint8_t)((marks_in + 1U) & (MARKS - 1U));
    if (next != marks_out) {
        mark_us[marks_in] = at_us;
        marks_in = next;
    }
}

ISR(INT0_vect)
{
    tick_us = time_of(TCNT1) - TICK_LATENCY_US;
    ticks++;
}

static inline void convert(uint8_t mux)
{
    ADMUX = (uint8_t)(REFERENCE_AVCC | mux);
    ADCSRA |= _BV(ADSC);
}

ISR(TIMER1_COMPA_vect)
{
    base_us += PERIOD_US;
    if (burst_running) {
        missed++;
        return;
    }
    burst_running = true;
    burst_us = base_us;
    conversion = 0;
    channel = 0;
    convert(MUX_BANDGAP);
}

static inline void end_burst(void)
{
    burst_running = false;
    if (ready)
        missed++; /* the last one was never fetched */
    taken.time_us = burst_us + SAMPLE_DELAY_US;
    taken.reference_bad = reference + REFERENCE_TOLERANCE < REFERENCE_NOMINAL ||
                          reference > REFERENCE_NOMINAL + REFERENCE_TOLERANCE;
    for (uint8_t i = 0; i < CHANNELS; i++) {
        taken.sum[i] = sums[i];
        sums[i] = 0;
    }
    ready = true;
}

ISR(ADC_vect)
{
    uint16_t value = ADC;
    uint8_t done = conversion++;
    if (done < SETTLE_CONVERSIONS) {
        reference = value; /* the second overwrites the first, taken while the input settled */
        convert(done + 1U < SETTLE_CONVERSIONS ? MUX_BANDGAP : 0);
        return;
    }
    uint8_t was = channel;
    channel = was + 1U < CHANNELS ? (uint8_t)(was + 1U) : 0;
    if (conversion < CONVERSIONS)
        convert(channel);
    sums[was] += value;
    if (conversion == CONVERSIONS)
        end_burst();
}

ISR(USART_UDRE_vect)
{
    if (ring_in == ring_out)
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
    else
        UDR0 = ring[ring_out++];
}

void hal_start(void)
{
    cli();
    DDRB = _BV(PB5);
    PORTB = _BV(PB0);                                /* pull-ups */
    PORTD = _BV(PD2) | _BV(PD3) | _BV(PD4) | _BV(PD5);
    DIDR0 = (uint8_t)((1U << (CHANNELS < 6 ? CHANNELS : 6)) - 1U);

    UCSR0A = _BV(U2X0);
    UBRR0 = UBRR_VALUE;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(TXEN0);

    ADCSRA = _BV(ADEN) | _BV(ADIE) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0);

    EICRA = _BV(ISC01); /* falling edge */
    EIMSK = _BV(INT0);

    OCR1A = TIMER_TOP;
    TCCR1A = 0;
    TIMSK1 = _BV(ICIE1) | _BV(OCIE1A);
    set_sleep_mode(SLEEP_MODE_IDLE);
    wdt_enable(WDTO_250MS);
    TCCR1B = _BV(ICNC1) | _BV(WGM12) | _BV(CS11); /* falling edge, noise filter: 4 clocks = 0.25 us late */
    sei();
}

bool hal_wait(struct sample *sample)
{
    cli();
    while (!ready) {
        sleep_enable();
        sei(); /* the instruction after sei is still safe from interrupts: no sample is slept through */
        sleep_cpu();
        sleep_disable();
        cli();
    }
    sample->time_us = taken.time_us;
    sample->reference_bad = taken.reference_bad;
    for (uint8_t i = 0; i < CHANNELS; i++)
        sample->sum[i] = taken.sum[i];
    sample->missed = missed;
    missed = 0;
    ready = false;
    sei();
    wdt_reset();
    if (PINB & _BV(PB0))
        PORTB &= (uint8_t)~_BV(PB5);
    else
        PORTB |= _BV(PB5);
    return true;
}

bool hal_mark(uint32_t *time_us)
{
    bool any = false;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        if (marks_in != marks_out) {
            *time_us = mark_us[marks_out];
            marks_out = (uint8_t)((marks_out + 1U) & (MARKS - 1U));
            any = true;
        }
    }
    return any;
}

uint32_t hal_ticks(uint32_t *time_us)
{
    uint32_t count;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        count = ticks;
        *time_us = tick_us;
    }
    return count;
}

uint8_t hal_buttons(void)
{
    return (uint8_t)(((uint8_t)~PIND >> PD3) & 0x03U);
}

bool hal_test_jumper(void)
{
    return !(PIND & _BV(PD5));
}

bool hal_send(const char *line, uint8_t length)
{
    uint8_t in = ring_in;
    if ((uint8_t)(ring_out - in - 1U) < length)
        return false;
    for (uint8_t i = 0; i < length; i++)
        ring[in++] = line[i];
    ring_in = in;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        UCSR0B |= _BV(UDRIE0);
    }
    return true;
}
