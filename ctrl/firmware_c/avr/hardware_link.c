/*
 * Hardware functions for a test bench: readings come over the serial port and the command
 * goes back, in the protocol of link.h. For an emulated or a real 8-bit AVR with 2 KiB of
 * RAM at 8 MHz; 1 MBd, 8 data bits, no parity. All else is the export as it is.
 *
 * Compile main.c with -Dcoldloop_tick=bench_tick: the answer also tells state and reason,
 * which no hardware function is given.
 *
 * CAUTION: the readings are simulated. Connect no module to a board that runs this.
 */
#include <avr/io.h>

#include "coldloop_controller.h"
#include "hardware.h"
#include "link.h"

#define UBRR_1_MBD 0U   /* 8 MHz / 8 with the doubled clock: exact */
#define QUIET_LOOPS 60U /* about 500 cycles without a byte, 6 bytes' time: the frame is over */

#ifndef BENCH_STATUS
#define BENCH_STATUS 0 /* 1: write the status line too, into nothing */
#endif

#define GREET 0x5AU
/* Asked for a reset: it is answered when the controller has started. Outlives the jump. */
static uint8_t greet __attribute__((section(".noinit")));

static link_board board;
static link_tick tick;
static link_command command;
static uint32_t ticks;
static bool asked; /* a tick has come and waits for its answer */

void bench_tick(coldloop *c, const coldloop_inputs *in, coldloop_outputs *out);

void bench_tick(coldloop *c, const coldloop_inputs *in, coldloop_outputs *out)
{
    coldloop_tick(c, in, out);
    command.state = out->state;
    command.reason = out->reason;
}

static void send_answer(void)
{
    uint8_t i;
    for (i = 0U; i < board.answer_bytes; i++) {
        while ((UCSR0A & (1U << UDRE0)) == 0U) {
            /* the byte before is still going out */
        }
        UDR0 = board.answer[i];
    }
}

/* Take the bytes of one frame: at this speed there is no time to look at each as it comes. */
static void take_burst(void)
{
    uint8_t quiet = 0U;
    while (quiet < QUIET_LOOPS) {
        if ((UCSR0A & (1U << RXC0)) != 0U) {
            link_push(&board.decoder, UDR0);
            quiet = 0U;
        } else {
            quiet++;
        }
    }
}

void hardware_start(void)
{
    UBRR0 = UBRR_1_MBD;
    UCSR0A = (uint8_t)(1U << U2X0);
    UCSR0B = (uint8_t)((1U << RXEN0) | (1U << TXEN0));
    link_start(&board);
}

uint32_t hardware_ticks(void)
{
    uint16_t tick_ms;
    link_event event;

    if (greet == GREET) {
        greet = 0U;
        link_ready(&board, CL_READ_U16(&cl_settings_checksum));
        send_answer();
    }
    if ((UCSR0A & (1U << RXC0)) != 0U) {
        take_burst();
        event = link_serve(&board, &tick, &tick_ms);
        if (event == LINK_RUN) {
            ticks++;
            asked = true;
        } else if (event == LINK_REPEAT) {
            send_answer();
        } else if (event == LINK_RESET) {
            greet = GREET;
            __asm__ volatile("jmp 0"); /* as a watchdog would, without its 15 ms */
        } else {
            /* not a whole frame */
        }
    }
    return ticks;
}

void hardware_read(coldloop_inputs *in)
{
    in->control_code = tick.control_code;
    in->hot_code = tick.hot_code;
    in->cold_code = tick.cold_code;
    in->ambient_code = tick.ambient_code;
    in->supply_mv = (int32_t)tick.supply_mv;
    in->hot_fan_pulses = tick.hot_pulses;
    in->cold_fan_pulses = tick.cold_pulses;
}

void hardware_set_module(uint16_t duty_permille, bool module_on, uint16_t reverse_permille)
{
    command.duty_permille = duty_permille;
    command.reverse_permille = reverse_permille;
    command.bits = module_on ? LINK_MODULE_ON : 0U;
}

void hardware_set_fans(bool hot_fan, bool cold_fan)
{
    command.bits |= (uint8_t)((hot_fan ? LINK_HOT_FAN : 0U) | (cold_fan ? LINK_COLD_FAN : 0U));
}

void hardware_set_alarm(bool alarm, bool warning)
{
    command.bits |= (uint8_t)((alarm ? LINK_ALARM : 0U) | (warning ? LINK_WARNING : 0U));
}

bool hardware_can_send(void)
{
    return BENCH_STATUS != 0;
}

void hardware_send(uint8_t byte)
{
    (void)byte;
}

void hardware_kick_watchdog(void)
{
    if (asked) {
        asked = false;
        link_answer(&board, &command);
        send_answer();
    }
}
