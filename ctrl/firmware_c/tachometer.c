#include "tachometer.h"

#include "fixed_point.h"

void cl_watch_fan(cl_tachometer *tachometer, uint16_t start_ticks, uint16_t turn_ticks,
                  bool commanded, uint16_t pulses)
{
    if (start_ticks == 0U) {
        /* no tachometer */
    } else if (!commanded) {
        tachometer->still_ticks = 0U;
        tachometer->turning_ticks = 0U;
    } else if (pulses > 0U) {
        tachometer->still_ticks = 0U;
        tachometer->turning_ticks = cl_count(tachometer->turning_ticks);
        if (tachometer->turning_ticks >= turn_ticks) {
            tachometer->stalled = false;
        }
    } else {
        tachometer->still_ticks = cl_count(tachometer->still_ticks);
        if (tachometer->still_ticks >= start_ticks) {
            tachometer->turning_ticks = 0U;
            tachometer->stalled = true;
        }
    }
}
