/* Best-efficiency hold: long gentle running at the duty that moves heat most cheaply.
 *
 * A thermostat that, while on, gives the duty of a table over the difference hot sink -
 * cold sink.  Above the band's upper edge a PI law takes over where it asks for more.
 */
#ifndef CL_LAW_BEST_COP_H
#define CL_LAW_BEST_COP_H

#include <stdbool.h>
#include <stdint.h>

#define CL_COP_POINTS 9U

typedef struct cl_law_settings {
    int32_t kp_q20;         /* law above the band [2^-20 permille per 1/100 K] */
    int32_t ki_q20;         /* the same, and per period */
    int32_t reset_q24;      /* period over integral time [2^-24] */
    int16_t setpoint_c100;  /* middle of the band [1/100 deg C] */
    int16_t half_band_k100; /* half of it [1/100 K] */
    int16_t assumed_k100;   /* hot less cold sink where it is not read [1/100 K] */
    int16_t table_permille[CL_COP_POINTS]; /* at 0, 10, ... 80 K [1/1000] */
} cl_law_settings;

typedef struct cl_law {
    int32_t integral_q20;    /* of the law above the band [2^-20 permille] */
    int32_t error_k100;      /* reading less the band's upper edge [1/100 K] */
    int32_t lift_k100;       /* hot less cold sink [1/100 K] */
    int16_t demand_permille; /* [1/1000] */
    bool on;
    bool held;               /* the table or the end of the duty decides */
    bool frozen;
} cl_law;

#endif
