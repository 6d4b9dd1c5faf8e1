#include "slow_window.h"

#include "fixed_point.h"
#include "port.h"

#define HALF_PERMILLE INT32_C(500)

/* A time of the settings, none where they are damaged to less [ticks]. */
static int16_t ticks_of(const int16_t *ticks)
{
    return cl_clamp16(CL_READ_I16(ticks), 0, INT16_MAX);
}

void cl_start_window(const cl_window_settings *settings, cl_window *window)
{
    window->owed = 0;
    window->left = 0;
    window->on_left = 0;
    window->wait = ticks_of(&settings->min_ticks);
    window->on = false;
}

/* Allowed on-time nearest to a wanted one [1/1000 ticks]: 0, least to length - least, or
 * length; half way goes up. */
static int16_t on_ticks(int16_t length, int16_t least, int32_t wanted)
{
    const int32_t all = length * CL_FULL_PERMILLE;
    const int32_t half = least * HALF_PERMILLE;
    int16_t ticks = (int16_t)cl_div_round(cl_clamp(wanted, 0, all), CL_FULL_PERMILLE);

    if (ticks < least) {
        ticks = (wanted >= half) ? least : 0;
    } else if (ticks > (length - least)) {
        ticks = ((all - wanted) <= half) ? length : (int16_t)(length - least);
    } else {
        /* allowed as it is */
    }
    return ticks;
}

/* One tick within a window, a new one where the last has ended.  What is owed stays within a
 * window of at most 32767 ticks, so that no sum leaves its width. */
static void run_window(cl_window *window, int16_t length, int16_t least, int16_t duty_permille)
{
    const int32_t all = length * CL_FULL_PERMILLE;

    if (window->left == 0) {
        window->left = length;
        window->on_left =
            on_ticks(length, least, window->owed + ((int32_t)duty_permille * length));
    }
    window->owed += duty_permille;
    window->on = window->on_left > 0;
    if (window->on) {
        window->owed -= CL_FULL_PERMILLE;
        window->on_left--;
    }
    window->left--;
    /* No more than one window is ever owed: a duty cannot make up for what a limit took. */
    window->owed = cl_clamp(window->owed, -all, all);
}

bool cl_advance_window(const cl_window_settings *settings, cl_window *window,
                       int16_t duty_permille, bool cut)
{
    const int16_t length = ticks_of(&settings->window_ticks);
    const int16_t least = ticks_of(&settings->min_ticks);

    if (length == 0) {
        window->on = duty_permille > 0;
    } else if (cut) {
        if ((window->left > 0) || window->on) {
            cl_start_window(settings, window);
        }
        window->owed = 0;
        window->wait = cl_clamp16((int16_t)(window->wait - 1), 0, least);
    } else if (window->wait > 0) {
        window->wait--;
        window->on = false;
    } else {
        run_window(window, length, least, duty_permille);
    }
    return window->on;
}
