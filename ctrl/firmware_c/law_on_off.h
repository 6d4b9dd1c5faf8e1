/* On-off thermostat: on at or above setpoint + half band, off at or below setpoint - half
 * band, between them as before.  Minimum times are held by protection.c.
 */
#ifndef CL_LAW_ON_OFF_H
#define CL_LAW_ON_OFF_H

#include <stdbool.h>
#include <stdint.h>

typedef struct cl_law_settings {
    int16_t setpoint_c100;  /* middle of the band [1/100 deg C] */
    int16_t half_band_k100; /* half of it [1/100 K] */
    int16_t on_permille;    /* duty when on [1/1000] */
    int16_t reserved;       /* 0 */
} cl_law_settings;

typedef struct cl_law {
    bool on;
} cl_law;

#endif
