/* What one board is: change these, or give them with -D. Everything below the line is worked out from them. */
#ifndef CONFIG_H
#define CONFIG_H

#ifndef CHANNELS
#define CHANNELS 4 /* edge sensors, on ADC0 upward; at most 8 */
#endif
#ifndef RATE_HZ
#define RATE_HZ 200 /* samples per second; see the budget in README.md before raising it */
#endif
#ifndef OVERSAMPLE
#define OVERSAMPLE 8 /* conversions averaged into one sample of one channel */
#endif
#ifndef BOARD_ID
#define BOARD_ID 0x00000001UL /* give every board its own */
#endif
#ifndef BAUD
#define BAUD 115200UL
#endif
#ifndef MARK_HOLDOFF_US
#define MARK_HOLDOFF_US 50000UL /* a second edge sooner than this is contact bounce, not a mark */
#endif
#ifndef REFERENCE_NOMINAL
#define REFERENCE_NOMINAL 225U /* the 1.1 V band gap measured against a 5.0 V supply, 10-bit counts */
#endif
#ifndef REFERENCE_TOLERANCE
#define REFERENCE_TOLERANCE 34U /* 15 %: the band gap itself may be 10 % off; narrow it once measured */
#endif
#ifndef LOOP_CHANNELS
#define LOOP_CHANNELS 0x00U /* bit k: channel k is a 4-20 mA loop across LOOP_OHMS */
#endif
#ifndef LOOP_OHMS
#define LOOP_OHMS 220UL /* 22.7 mA reach 5 V, so that a fault current can still be seen */
#endif
#ifndef REFERENCE_MV
#define REFERENCE_MV 5000UL
#endif

/* ------------------------------------------------------------------------------------------ */

#define ADC_FULL 1023UL
#define PERIOD_US (1000000UL / RATE_HZ)
#define SETTLE_CONVERSIONS 2U /* the band gap, twice; the first is thrown away */
#define CONVERSIONS (SETTLE_CONVERSIONS + (unsigned)OVERSAMPLE * (unsigned)CHANNELS)
#define CONVERSION_US 110UL /* 13 ADC clocks of 8 us, the wait for the next clock, the interrupt */
#define BURST_US (CONVERSIONS * CONVERSION_US)
#define SAMPLE_DELAY_US (BURST_US / 2UL) /* a sample's time stamp is the middle of its burst */
#define HELLO_SAMPLES (10UL * RATE_HZ)
#define TICK_SAMPLES (RATE_HZ / 10UL ? RATE_HZ / 10UL : 1UL) /* a T record each 0.1 s */
#define DEBOUNCE_SAMPLES (RATE_HZ / 50UL ? RATE_HZ / 50UL : 1UL) /* a button must be down for 20 ms */

/* Bytes a second: E records, a T each 0.1 s, an H each 10 s, and two M a second (far more than any belt). */
#define LINE_BYTES_PER_S ((25UL + 5UL * CHANNELS) * RATE_HZ + 31UL * 10UL + 42UL / 10UL + 27UL * 2UL)

/* NAMUR NE 43: a transmitter says that it is faulty by 3.6 mA or less, or by 21 mA or more. */
#define LOOP_COUNTS(ua) ((uint16_t)(65535ULL * (ua) * LOOP_OHMS / (REFERENCE_MV * 1000ULL)))
#define LOOP_FAULT_LOW LOOP_COUNTS(3600ULL)
#define LOOP_FAULT_HIGH LOOP_COUNTS(21000ULL)

_Static_assert(21000UL * LOOP_OHMS < REFERENCE_MV * 1000UL, "LOOP_OHMS is too large to see 21 mA");
_Static_assert(CHANNELS >= 1 && CHANNELS <= 8, "CHANNELS must be 1 to 8");
_Static_assert(OVERSAMPLE >= 1 && OVERSAMPLE <= 64, "OVERSAMPLE must be 1 to 64");
_Static_assert(1000000UL % RATE_HZ == 0, "RATE_HZ must divide 1000000");
_Static_assert(RATE_HZ >= 31 && RATE_HZ <= 1000, "RATE_HZ must be 31 to 1000 (16-bit timer at 2 MHz)");
_Static_assert(BURST_US * 10UL <= PERIOD_US * 9UL, "the burst of conversions must fit in 0.9 of a period");
_Static_assert(LINE_BYTES_PER_S * 10UL * 10UL <= BAUD * 9UL, "the records must fit in 0.9 of the serial line");

#endif
