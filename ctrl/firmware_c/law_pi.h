/* Proportional and integral control of the duty.
 *
 *   v = P + I,   P = kp e,   e = reading - setpoint (positive when too warm)
 *
 * The integral waits until it is known what was given after every limit (track): where that
 * is what was asked, I moves by ki e; else it moves towards what was given, so that it does
 * not wind up.  In defrost, fault or trip it stands still.
 *
 * Gain schedule, setpoint weight and feed-forward are compiled in only where one is used.
 */
#ifndef CL_LAW_PI_H
#define CL_LAW_PI_H

#include <stdbool.h>
#include <stdint.h>

#include "coldloop_features.h"
#if CL_WITH_PI_OPTIONS
#include "readings.h"
#endif

#define CL_SCHEDULE_POINTS 3U

#if CL_WITH_PI_OPTIONS
typedef struct cl_pi_options {
    int32_t schedule_kp_q20[CL_SCHEDULE_POINTS]; /* [2^-20 permille per 1/100 K] */
    int32_t schedule_ki_q20[CL_SCHEDULE_POINTS]; /* the same, and per period */
    int32_t slope_q20;     /* feed-forward, 0: none [2^-20 permille per 1/100 K] */
    int32_t smoothing_q24; /* period over smoothing time of the room's reading [2^-24] */
    int16_t schedule_permille[CL_SCHEDULE_POINTS]; /* duties, rising [1/1000] */
    uint16_t points;       /* of the schedule in use: 0, 2 or 3 */
    uint16_t weight_q15;   /* setpoint weight, 0 to 32768 [2^-15] */
    uint16_t reserved;     /* 0 */
    cl_sensor_settings ambient; /* sensor of the room */
} cl_pi_options;

typedef struct cl_pi_option_state {
    int32_t kp_now_q20;     /* gains of the duty found [2^-20 permille per 1/100 K] */
    int32_t ki_now_q20;
    int32_t reference_q16;  /* follows the setpoint [2^-16 of 1/100 deg C] */
    int32_t ambient_q16;    /* smoothed room [2^-16 of 1/100 deg C] */
    int32_t forward_q20;    /* duty for the room's warmth [2^-20 permille] */
    cl_sensor ambient;
    int16_t ambient_c100;   /* reading of the room [1/100 deg C] */
    bool forward_on;        /* the room has been read */
} cl_pi_option_state;
#endif

typedef struct cl_law_settings {
    int32_t kp_q20;        /* proportional gain [2^-20 permille per 1/100 K] */
    int32_t ki_q20;        /* integral gain [2^-20 permille per 1/100 K and period] */
    int32_t reset_q24;     /* period over integral time [2^-24] */
    int16_t setpoint_c100; /* reading to hold [1/100 deg C] */
    int16_t reserved;      /* 0 */
#if CL_WITH_PI_OPTIONS
    cl_pi_options options;
#endif
} cl_law_settings;

typedef struct cl_law {
    int32_t integral_q20;    /* duty that the load was found to need [2^-20 permille] */
    int32_t error_k100;      /* reading less setpoint [1/100 K] */
    int16_t demand_permille; /* [1/1000] */
    bool saturated;          /* asked for more than full duty, or less than none */
    bool frozen;             /* the integral stands still until the next step */
#if CL_WITH_PI_OPTIONS
    cl_pi_option_state options;
#endif
} cl_law;

#endif
