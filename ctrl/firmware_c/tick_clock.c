#include "tick_clock.h"

#include "fixed_point.h"

#define HALF_RANGE 0x80000000U /* more than this forwards is taken for backwards */

void cl_start_clock(cl_tick_clock *clock, uint32_t now)
{
    clock->last = now;
    clock->late = 0U;
}

uint8_t cl_ticks_due(cl_tick_clock *clock, uint32_t now)
{
    const uint32_t passed = now - clock->last; /* right across a wrap of the counter */
    uint8_t due;

    if (passed >= HALF_RANGE) {
        due = 1U;
    } else if (passed > CL_MOST_TICKS_DUE) {
        due = (uint8_t)CL_MOST_TICKS_DUE;
    } else {
        due = (uint8_t)passed;
    }
    if (passed > 1U) {
        clock->late = cl_count(clock->late);
    }
    clock->last = now;
    return due;
}
