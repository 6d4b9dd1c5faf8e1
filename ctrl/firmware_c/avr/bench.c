/*
 * The controller on a test bench: it gets its readings over the serial port and answers with
 * its command, in the protocol of link.h. For an emulated or a real 8-bit AVR with 2 KiB of
 * RAM at 8 MHz; 1 MBd, 8 data bits, no parity.
 *
 * CAUTION: the readings are simulated. Connect no module to a board that runs this.
 */
#include <avr/io.h>
#include <stdbool.h>
#include <stdint.h>

#include "coldloop_controller.h"
#include "link.h"

#define UBRR_1_MBD 0U /* 8 MHz / 8 with the doubled clock: exact */
#define QUIET_LOOPS 60U /* about 500 cycles without a byte, 6 bytes' time: the frame is over */

static coldloop controller;
static link_board board;

/* Take the bytes of one frame: at this speed there is no time to look at each as it comes. */
static void take_burst(void)
{
    uint8_t quiet = 0U;
    while ((UCSR0A & (1U << RXC0)) == 0U) {
        /* nothing has come */
    }
    while (quiet < QUIET_LOOPS) {
        if ((UCSR0A & (1U << RXC0)) != 0U) {
            link_push(&board.decoder, UDR0);
            quiet = 0U;
        } else {
            quiet++;
        }
    }
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

static void run_tick(const link_tick *tick)
{
    coldloop_inputs inputs;
    coldloop_outputs outputs;
    link_command command;

    inputs.control = tick->control_code;
    coldloop_tick(&controller, &inputs, &outputs);
    command.duty_permille = outputs.duty_permille;
    link_answer(&board, &command);
}

int main(void)
{
    link_tick tick;
    uint16_t tick_ms;

    UBRR0 = UBRR_1_MBD;
    UCSR0A = (uint8_t)(1U << U2X0);
    UCSR0B = (uint8_t)((1U << RXEN0) | (1U << TXEN0));
    link_start(&board);
    coldloop_start(&controller);
    for (;;) {
        link_event event;
        take_burst();
        event = link_serve(&board, &tick, &tick_ms);
        if (event == LINK_RESET) {
            coldloop_start(&controller);
            link_ready(&board, coldloop_settings_checksum());
        } else if (event == LINK_RUN) {
            run_tick(&tick);
        } else {
            /* LINK_REPEAT: the last answer again */
        }
        if (event != LINK_NOTHING) {
            send_answer();
        }
    }
}
