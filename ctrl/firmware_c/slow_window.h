/* Time-proportioning for a drive that is only on or off: a duty as on-time in a window.
 *
 * What was asked and not given is carried into the next window, so that the mean over
 * many windows is the duty.  A trip, a fault or a defrost cuts a window at once and
 * forgets what was owed; the off-time that follows is at least the minimum.
 */
#ifndef CL_SLOW_WINDOW_H
#define CL_SLOW_WINDOW_H

#include <stdbool.h>
#include <stdint.h>

typedef struct cl_window_settings {
    int16_t window_ticks; /* length, 2 to 32767; 0 passes the duty through [ticks] */
    int16_t min_ticks;    /* least on-time and least off-time [ticks] */
} cl_window_settings;

typedef struct cl_window {
    int32_t owed;    /* asked and not given [1/1000 ticks] */
    int16_t left;    /* of this window [ticks] */
    int16_t on_left; /* of it still to be on [ticks] */
    int16_t wait;    /* to stay off after a cut or a reset [ticks] */
    bool on;         /* what the switch gets */
} cl_window;

/* Start off, nothing owed, and stay off for the minimum time. */
void cl_start_window(const cl_window_settings *settings, cl_window *window);

/* Take one tick: true when the switch shall be on.  Without a window: any duty is on.
 * cut: trip, fault, low battery or defrost, off at once. */
bool cl_advance_window(const cl_window_settings *settings, cl_window *window,
                       int16_t duty_permille, bool cut);

#endif
