/* The few functions that you write for your board.  Nothing else touches hardware.
 *
 * Write them in hardware.c.  None may wait: one pass of the main loop must end well within
 * one tick.
 */
#ifndef CL_HARDWARE_H
#define CL_HARDWARE_H

#include <stdbool.h>
#include <stdint.h>

#include "coldloop_controller_io.h"

/* Set up pins, converter, timers, serial line and a watchdog of about 2 s with a clock of
 * its own.  First of all: module off. */
void hardware_start(void);

/* Ticks since the start, counted by a timer's interrupt; may wrap.  Read all four bytes
 * with the interrupt held off. */
uint32_t hardware_ticks(void);

/* Sensors, supply and tachometers as they read now.  Leave alone what is not fitted: it is
 * preset to "not measured". */
void hardware_read(coldloop_inputs *in);

/* The module: duty [1/1000] for pulses or a converter, on for a relay or a slow switch, and
 * the duty with reversed current.  duty and reverse are never above 0 together.  Where
 * module_on is false nothing may flow forwards. */
void hardware_set_module(uint16_t duty_permille, bool module_on, uint16_t reverse_permille);

/* Fans, and what shows alarm and warning. */
void hardware_set_fans(bool hot_fan, bool cold_fan);
void hardware_set_alarm(bool alarm, bool warning);

/* Whether the serial line takes another byte, and send it. */
bool hardware_can_send(void);
void hardware_send(uint8_t byte);

/* Refresh the watchdog.  Called from one place only, at the end of a whole pass. */
void hardware_kick_watchdog(void);

#endif
