/*
 * An emulated 8-bit AVR behind three calls, for a Python process.
 *
 * Compiled on demand for the host and linked with libsimavr. It runs an image until the board
 * has answered, so that no time of the host's clock is in it: the same bytes in give the same
 * bytes out.
 */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <simavr/avr_uart.h>

#define PAINT 0xC5U
#define REPLY_BYTES 1024U
#define BATCH 8          /* bursts between two looks at the clock */
#define BURST_CYCLES 100U /* of the emulated clock, run at once */

/* What emulator_exchange answers when it has no reply; same numbers as ctrl/emulator.py. */
#define CRASHED (-1)
#define TIMED_OUT (-2)
#define STOPPED (-3)

typedef struct emulator {
    avr_t *avr;
    avr_irq_t *input;
    uint8_t reply[REPLY_BYTES];
    uint32_t replied;
    int overrun;
} emulator;

static void be_silent(avr_t *avr, const int level, const char *format, va_list values)
{
    (void)avr;
    (void)level;
    (void)format;
    (void)values;
}

/* The library would sleep for real whenever the image sleeps. */
static void sleep_not(avr_t *avr, avr_cycle_count_t cycles)
{
    (void)avr;
    (void)cycles;
}

static void take_byte(struct avr_irq_t *irq, uint32_t value, void *user)
{
    emulator *self = user;
    (void)irq;
    if (self->replied < REPLY_BYTES) {
        self->reply[self->replied] = (uint8_t)value;
        self->replied++;
    } else {
        self->overrun = 1;
    }
}

void emulator_close(emulator *self)
{
    if (self != NULL) {
        if (self->avr != NULL) {
            avr_terminate(self->avr);
            free(self->avr);
        }
        free(self);
    }
}

/* Load an ELF image into a part and paint its RAM; NULL when either is not known. */
emulator *emulator_open(const char *path, const char *part, uint32_t hz)
{
    elf_firmware_t image;
    uint32_t flags = 0U;
    emulator *self = calloc(1U, sizeof *self);

    avr_global_logger_set(be_silent);
    memset(&image, 0, sizeof image);
    if (self == NULL || elf_read_firmware(path, &image) != 0) {
        free(self);
        return NULL;
    }
    self->avr = avr_make_mcu_by_name(part);
    if (self->avr == NULL) {
        free(self);
        return NULL;
    }
    avr_init(self->avr);
    avr_load_firmware(self->avr, &image);
    self->avr->frequency = hz;
    self->avr->vcc = self->avr->avcc = self->avr->aref = 5000U;
    self->avr->sleep = sleep_not;
    self->avr->log = 0;
    self->avr->run_cycle_limit = BURST_CYCLES; /* no more than until its next timer is due */
    avr_ioctl(self->avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    avr_irq_register_notify(
        avr_io_getirq(self->avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), take_byte, self);
    self->input = avr_io_getirq(self->avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
    for (uint32_t at = self->avr->ioend + 1U; at <= self->avr->ramend; at++) {
        self->avr->data[at] = PAINT;
    }
    return self;
}

/*
 * Give the board `sent` bytes and run it until it has answered `wanted` bytes, for at most
 * `cycles` of its clock. Returns `wanted`, or CRASHED, TIMED_OUT or STOPPED.
 */
int emulator_exchange(
    emulator *self, const uint8_t *bytes, uint32_t sent, uint8_t *reply, uint32_t wanted,
    uint64_t cycles)
{
    avr_t *avr = self->avr;
    const avr_cycle_count_t last = avr->cycle + cycles;

    self->replied = 0U;
    for (uint32_t at = 0U; at < sent; at++) {
        avr_raise_irq(self->input, bytes[at]);
    }
    while (self->replied < wanted) {
        for (int count = 0; count < BATCH && self->replied < wanted; count++) {
            const int state = avr_run(avr);
            if (state == cpu_Crashed) {
                return CRASHED;
            }
            if (state == cpu_Done) {
                return STOPPED;
            }
        }
        if (avr->cycle > last) {
            return TIMED_OUT;
        }
    }
    memcpy(reply, self->reply, wanted);
    return (int)wanted;
}

/* Run for `cycles`, as after power-up; returns 0, CRASHED or STOPPED. */
int emulator_run(emulator *self, uint64_t cycles)
{
    const avr_cycle_count_t last = self->avr->cycle + cycles;
    while (self->avr->cycle < last) {
        const int state = avr_run(self->avr);
        if (state == cpu_Crashed) {
            return CRASHED;
        }
        if (state == cpu_Done) {
            return STOPPED;
        }
    }
    return 0;
}

uint64_t emulator_cycles(const emulator *self)
{
    return self->avr->cycle;
}

/* Deepest the stack has been [bytes]: from the lowest byte above `end` that lost its paint. */
uint32_t emulator_stack(const emulator *self, uint32_t end)
{
    uint32_t at = end;
    while (at <= self->avr->ramend && self->avr->data[at] == PAINT) {
        at++;
    }
    return self->avr->ramend + 1U - at;
}
