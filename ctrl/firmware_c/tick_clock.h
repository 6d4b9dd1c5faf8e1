/* How many ticks are due, from a counter of ticks that may wrap, stall or jump.
 *
 * Late ticks are made up for, a few at a time; of a longer gap the rest is dropped, so that
 * every wait becomes longer, never shorter.  A counter that runs backwards gives one tick
 * and is followed from there.
 */
#ifndef CL_TICK_CLOCK_H
#define CL_TICK_CLOCK_H

#include <stdint.h>

#define CL_MOST_TICKS_DUE 4U

typedef struct cl_tick_clock {
    uint32_t last; /* count at the last look [ticks] */
    uint16_t late; /* how often a tick was late, or the count jumped */
} cl_tick_clock;

void cl_start_clock(cl_tick_clock *clock, uint32_t now);

/* Ticks to run now: 0 to CL_MOST_TICKS_DUE. */
uint8_t cl_ticks_due(cl_tick_clock *clock, uint32_t now);

#endif
