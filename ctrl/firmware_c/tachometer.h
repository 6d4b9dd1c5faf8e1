/* Does a fan turn that should?  Counted from its tachometer's pulses, tick by tick.
 *
 * A fan that is commanded on may take its start-up time; without a single pulse for so long
 * it stands still.  It counts as mended after pulses in so many ticks, without such a pause
 * between them: a slow fan has ticks without a pulse.  It starts as
 * zero: not stalled, nothing counted.
 */
#ifndef CL_TACHOMETER_H
#define CL_TACHOMETER_H

#include <stdbool.h>
#include <stdint.h>

typedef struct cl_tachometer {
    uint16_t still_ticks;   /* commanded on, without a pulse [ticks] */
    uint16_t turning_ticks; /* with pulses, since it last stood still [ticks] */
    bool stalled;
} cl_tachometer;

/* Take the pulses of one tick.  start_ticks: how long it may stand still, 0: no tachometer;
 * turn_ticks: with pulses until it is believed again; commanded: on in the tick before. */
void cl_watch_fan(cl_tachometer *tachometer, uint16_t start_ticks, uint16_t turn_ticks,
                  bool commanded, uint16_t pulses);

#endif
