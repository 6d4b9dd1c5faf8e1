/* Defrost: stop, let the cabinet's air melt the ice, let it drip, go on.
 *
 * run -> melt (module off, cold fan on) -> drip (module off, cold fan off) -> run.
 * Melting ends when the cold sink has been at the end temperature for the hold time, or
 * after the longest time; without a cold-sink reading by time alone.  If the control
 * reading reaches the abort temperature, cooling comes first.  Time is counted in ticks
 * from the start of one defrost to the start of the next; no clock is read.
 *
 * Defrost with the module off needs cabinet air above about 2 deg C.
 */
#ifndef CL_DEFROST_H
#define CL_DEFROST_H

#include <stdbool.h>
#include <stdint.h>

#include "coldloop_features.h"

/* cl_defrost_settings.kind */
#define CL_DEFROST_NONE 0U
#define CL_DEFROST_TIMED 1U     /* by the interval */
#define CL_DEFROST_OFF_CYCLE 2U /* when the module rests, once the interval is over */
#define CL_DEFROST_DEMAND 3U    /* when the air-to-sink difference has grown */
#define CL_DEFROST_REVERSED 4U  /* by the interval, with reversed current */

/* cl_defrost.phase */
#define CL_PHASE_RUN 0U
#define CL_PHASE_MELT 1U
#define CL_PHASE_DRIP 2U

/* cl_defrost.end: how the last melt ended */
#define CL_END_NONE 0U
#define CL_END_WARM 1U
#define CL_END_TIME 2U
#define CL_END_ABORT 3U

/* Bands of duty that differences are compared within: 0 (not judged) to 8 (full duty). */
#define CL_BANDS 9U

typedef struct cl_defrost_settings {
    int32_t interval_ticks;   /* from start to start, at least [ticks] */
    int32_t longest_ticks;    /* longest melting [ticks] */
    int32_t drip_ticks;       /* dripping after it [ticks] */
    int32_t learn_ticks;      /* demand: after a melt the sink counts as clean [ticks] */
    int32_t pause_ticks;      /* reversed: off before it begins [ticks] */
    int32_t latest_ticks;     /* off-cycle, demand: from start to start, at most [ticks] */
    uint16_t kind;            /* CL_DEFROST_ */
    uint16_t hold_ticks;      /* at the end temperature, or grown [ticks] */
    uint16_t settle_ticks;    /* demand: in the same band of duty [ticks] */
    int16_t end_c100;         /* cold-sink reading that ends melting [1/100 deg C] */
    int16_t abort_c100;       /* control reading that stops it; 0 or none: never [1/100 deg C] */
    int16_t share_permille;   /* demand: growth that starts a melt [1/1000] */
    int16_t reverse_permille; /* reversed: duty the other way [1/1000] */
    int16_t ramp_permille;    /* reversed: its rise [1/1000 per tick] */
} cl_defrost_settings;

typedef struct cl_defrost {
    int32_t ticks;            /* in this phase [ticks] */
    int32_t since_start;      /* since the last melt began [ticks] */
#if CL_WITH_DEMAND
    int32_t mean;             /* running mean of difference over duty [1/1600 K] */
    int32_t clean[CL_BANDS];  /* the same of a clean sink, 0 where never seen [1/1600 K] */
    uint16_t steady;          /* in this band of duty [ticks] */
    uint8_t band;             /* of duty */
#endif
    uint16_t held;            /* end temperature, or growth, held for [ticks] */
    int16_t reverse_permille; /* duty the other way in this tick [1/1000] */
    uint8_t phase;            /* CL_PHASE_ */
    uint8_t end;              /* CL_END_ */
} cl_defrost;

/* Put a plan that is zero to its start: running, the interval begins anew. */
void cl_start_defrost(cl_defrost *defrost);

/* Take the plan one tick further; the phase is in defrost->phase.
 * control_c100, cold_c100: readings or CL_NO_SENSOR [1/100 deg C]; may_start: false in trip
 * or fault, when a running defrost goes on but none starts; duty_permille: limited duty of
 * the tick before [1/1000]. */
void cl_advance_defrost(const cl_defrost_settings *settings, cl_defrost *defrost,
                        int16_t control_c100, int16_t cold_c100, bool may_start,
                        int16_t duty_permille);

#endif
