/* Cascade: the reading sets how cold the cold sink may be, and the sink's own sensor sets
 * the duty.
 *
 * The outer loop asks for a drop of the cold sink below the setpoint, 0 to setpoint - floor;
 * the inner loop is a PI of the duty on the cold-sink reading.  Without that reading a
 * thermostat of +/- 0.25 K at a stand-in duty takes its place; nothing keeps the floor then.
 */
#ifndef CL_LAW_CASCADE_H
#define CL_LAW_CASCADE_H

#include <stdbool.h>
#include <stdint.h>

typedef struct cl_law_settings {
    int32_t outer_kp_q18;    /* drop for each kelvin too warm [2^-18] */
    int32_t outer_ki_q18;    /* what a period adds [2^-18] */
    int32_t outer_reset_q24; /* period over outer integral time [2^-24] */
    int32_t kp_q20;          /* inner gain [2^-20 permille per 1/100 K] */
    int32_t ki_q20;          /* the same, and per period */
    int32_t reset_q24;       /* period over inner integral time [2^-24] */
    int16_t setpoint_c100;   /* control reading to hold [1/100 deg C] */
    int16_t floor_c100;      /* coldest the sink is asked to be [1/100 deg C] */
    int16_t blind_permille;  /* duty of the stand-in thermostat [1/1000] */
    int16_t reserved;        /* 0 */
} cl_law_settings;

typedef struct cl_law {
    int32_t outer_integral_q18; /* drop that the load was found to need [2^-18 of 1/100 K] */
    int32_t integral_q20;       /* duty that holds the sink [2^-20 permille] */
    int32_t outer_error_k100;   /* reading less setpoint [1/100 K] */
    int32_t error_k100;         /* sink less what is asked of it [1/100 K] */
    int16_t cold_c100;          /* cold-sink reading [1/100 deg C] */
    int16_t drop_k100;          /* of the sink below the setpoint [1/100 K] */
    int16_t demand_permille;    /* [1/1000] */
    bool fresh;                 /* the sink has not been read yet */
    bool outer_saturated;
    bool saturated;
    bool frozen;
    bool blind_on;              /* the stand-in thermostat is on */
} cl_law;

#endif
