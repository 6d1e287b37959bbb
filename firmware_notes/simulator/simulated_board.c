/* SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Runs the compiled firmware in a simulated ATmega328P: a separate test tool, see LICENCE.md beside it.
 *
 *     simulated_board board.elf pty     prints the name of a pseudo-terminal that is the board's serial line
 *     simulated_board board.elf -       writes the serial line's bytes to standard output
 *
 * Inputs come on standard input as the script that hal_host.c describes, with one line more:
 *     TIME reset-adc       the converter is switched off behind the firmware's back (the watchdog must bite)
 * The simulation never runs past the time of the last line read: who writes the lines sets the pace. It ends
 * with standard input.
 * Time 0 is the instant the firmware starts its clock.
 */
#define _GNU_SOURCE
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

#include "avr_adc.h"
#include "avr_ioport.h"
#include "avr_uart.h"
#include "sim_avr.h"
#include "sim_elf.h"
#include "sim_io.h"

#define CHANNELS 8
#define MHZ 16ULL
#define ADCSRA 0x7A /* data addresses of the ATmega328P */
#define TCCR1B 0x81

static avr_t *avr;
static avr_cycle_count_t zero;
static FILE *answers; /* our standard output: the simulator's own chatter goes to standard error */
static int out_fd = -1;    /* the pseudo-terminal, if there is one */

static void fail(const char *why)
{
    fprintf(stderr, "simulated_board: %s\n", why);
    _exit(1);
}

static void byte_out(struct avr_irq_t *irq, uint32_t value, void *param)
{
    static char waiting[4096];
    static size_t used;
    (void)irq;
    (void)param;
    waiting[used++] = (char)value;
    if (value != '\n' && used < sizeof waiting)
        return;
    if (out_fd < 0) {
        fwrite(waiting, 1, used, answers);
    } else {
        for (size_t sent = 0; sent < used;) { /* unlike a serial line this waits for its reader, and time with it */
            ssize_t done = write(out_fd, waiting + sent, used - sent);
            if (done <= 0)
                fail("the pseudo-terminal is gone");
            sent += (size_t)done;
        }
    }
    used = 0;
}

static void no_sleep(avr_t *of, avr_cycle_count_t how_long)
{
    (void)of;
    (void)how_long; /* a sleeping processor costs no time here */
}

static avr_cycle_count_t stop_here(struct avr_t *of, avr_cycle_count_t when, void *param)
{
    (void)of;
    (void)param;
    return when + 2; /* again and again until it is cancelled: a sleep cannot slip past it */
}

static void run_until(avr_cycle_count_t end)
{
    while (avr->cycle < end) {
        if (!avr_cycle_timer_status(avr, stop_here, NULL)) /* keeps a sleep from running past `end` */
            avr_cycle_timer_register(avr, end - avr->cycle, stop_here, NULL);
        avr_cycle_count_t slice = avr->cycle + 64 < end ? avr->cycle + 64 : end;
        while (avr->cycle < slice) {
            int state = avr_run(avr);
            if (state == cpu_Done || state == cpu_Crashed)
                fail("the firmware crashed or stopped");
        }
    }
    avr_cycle_timer_cancel(avr, stop_here, NULL);
}

static avr_irq_t *pin(char port, int bit)
{
    return avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(port), bit);
}

static void set_volts(const char *values)
{
    for (int channel = 0; channel < CHANNELS; channel++) {
        unsigned mv;
        int used;
        if (sscanf(values, "%u%n", &mv, &used) != 1)
            return;
        values += used;
        avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0 + channel), mv);
    }
}

static void apply(const char *what, const char *values)
{
    static const struct {
        const char *name;
        char port;
        int bit;
    } pins[] = {{"mark", 'B', 0}, {"tick", 'D', 2}, {"button1", 'D', 3}, {"button2", 'D', 4}, {"jumper", 'D', 5}};
    if (strcmp(what, "volts") == 0)
        set_volts(values);
    else if (strcmp(what, "avcc") == 0)
        avr->avcc = (uint32_t)atoi(values);
    else if (strcmp(what, "reset-adc") == 0)
        avr->data[ADCSRA] = 0;
    else
        for (size_t i = 0; i < sizeof pins / sizeof pins[0]; i++)
            if (strcmp(what, pins[i].name) == 0)
                avr_raise_irq(pin(pins[i].port, pins[i].bit), atoi(values) != 0);
}

static void open_pty(void)
{
    struct termios raw;
    out_fd = posix_openpt(O_RDWR | O_NOCTTY);
    if (out_fd < 0 || grantpt(out_fd) != 0 || unlockpt(out_fd) != 0)
        fail("no pseudo-terminal can be opened");
    int reader = open(ptsname(out_fd), O_RDWR | O_NOCTTY); /* kept open: the line stays up between readers */
    if (reader < 0 || tcgetattr(reader, &raw) != 0)
        fail("the pseudo-terminal cannot be set up");
    cfmakeraw(&raw);
    tcsetattr(reader, TCSANOW, &raw);
    fprintf(answers, "%s\n", ptsname(out_fd));
    fflush(answers);
}

static void start(const char *path)
{
    static elf_firmware_t firmware;
    if (elf_read_firmware(path, &firmware) != 0)
        fail("the firmware file cannot be read");
    avr = avr_make_mcu_by_name("atmega328p");
    if (avr == NULL)
        fail("this simulator knows no atmega328p");
    avr_init(avr);
    avr->log = LOG_ERROR;
    avr->frequency = MHZ * 1000000ULL;
    avr->vcc = avr->avcc = avr->aref = 5000;
    avr_load_firmware(avr, &firmware);
    avr->sleep = no_sleep;
    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_GET_FLAGS('0'), &flags);
    flags &= (uint32_t) ~(AVR_UART_FLAG_STDIO | AVR_UART_FLAG_POLL_SLEEP);
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), byte_out, NULL);
    for (const char *const *name = (const char *const[]){"mark", "tick", "button1", "button2", "jumper", NULL}; *name;
         name++)
        apply(*name, "1");
    while ((avr->data[TCCR1B] & 7) == 0) {
        if (avr_run(avr) >= cpu_Done || avr->cycle > 10 * MHZ * 1000000ULL)
            fail("the firmware does not start its clock");
    }
    zero = avr->cycle;
}

int main(int argc, char **argv)
{
    char text[256];
    if (argc != 3 || (strcmp(argv[2], "pty") != 0 && strcmp(argv[2], "-") != 0))
        fail("expected: simulated_board FIRMWARE.elf pty|-");
    answers = fdopen(dup(STDOUT_FILENO), "w");
    if (answers == NULL || dup2(STDERR_FILENO, STDOUT_FILENO) < 0)
        fail("standard output cannot be used");
    if (strcmp(argv[2], "pty") == 0)
        open_pty();
    start(argv[1]);
    while (fgets(text, sizeof text, stdin) != NULL) {
        unsigned long long until_us;
        char what[16] = "";
        int at = 0;
        if (sscanf(text, "%llu %15s%n", &until_us, what, &at) != 2)
            fail("expected lines of TIME WHAT VALUES");
        run_until(zero + until_us * MHZ + MHZ / 2); /* in mid-microsecond: no doubt which one it belongs to */
        apply(what, text + at);
    }
    fflush(answers);
    _exit(0); /* the simulator's own clean-up is known to hang */
}
