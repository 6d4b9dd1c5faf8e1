#include "slow_window.h"

#include "fixed_point.h"
#include "port.h"

void cl_start_window(const cl_window_settings *settings, cl_window *window)
{
    window->owed = 0;
    window->left = 0;
    window->on_left = 0;
    window->wait = CL_READ_I16(&settings->min_ticks);
    window->on = false;
}

/* Allowed on-time nearest to a wanted one [1/1000 ticks]: 0, least to length - least, or
 * length; half way goes up. */
static int16_t on_ticks(int32_t length, int32_t least, int32_t wanted)
{
    const int32_t all = length * CL_FULL_PERMILLE;
    int32_t ticks = cl_div_round(cl_clamp(wanted, 0, all), CL_FULL_PERMILLE);

    if (ticks < least) {
        ticks = ((2 * wanted) >= (least * CL_FULL_PERMILLE)) ? least : 0;
    } else if ((length - ticks) < least) {
        ticks = ((2 * (all - wanted)) <= (least * CL_FULL_PERMILLE)) ? length : (length - least);
    } else {
        /* allowed as it is */
    }
    return (int16_t)ticks;
}

/* One tick within a window, a new one where the last has ended. */
static void run_window(cl_window *window, int32_t length, int32_t least, int32_t duty_permille)
{
    int32_t given = 0;

    if (window->left == 0) {
        window->left = (int16_t)length;
        window->on_left = on_ticks(length, least, cl_add_sat(window->owed, duty_permille * length));
    }
    window->on = window->on_left > 0;
    if (window->on) {
        given = CL_FULL_PERMILLE;
        window->on_left--;
    }
    window->left--;
    /* No more than one window is ever owed: a duty cannot make up for what a limit took. */
    window->owed = cl_clamp(cl_add_sat(window->owed, duty_permille - given),
                            -CL_FULL_PERMILLE * length, CL_FULL_PERMILLE * length);
}

bool cl_advance_window(const cl_window_settings *settings, cl_window *window,
                       int16_t duty_permille, bool cut)
{
    const int16_t length = CL_READ_I16(&settings->window_ticks);
    const int16_t least = CL_READ_I16(&settings->min_ticks);

    if (length == 0) {
        window->on = duty_permille > 0;
    } else if (cut) {
        if ((window->left > 0) || window->on) {
            cl_start_window(settings, window);
        }
        window->owed = 0;
        window->wait = (int16_t)cl_clamp((int32_t)window->wait - 1, 0, least);
    } else if (window->wait > 0) {
        window->wait--;
        window->on = false;
    } else {
        run_window(window, length, least, duty_permille);
    }
    return window->on;
}
