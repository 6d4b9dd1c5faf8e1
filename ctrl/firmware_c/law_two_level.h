/* Two-level hold: an idle duty in place of off.
 *
 * High at or above setpoint + half band, idle at or below setpoint - half band, between
 * them as before; off 1.5 K below the lower edge, and back to idle at that edge.
 */
#ifndef CL_LAW_TWO_LEVEL_H
#define CL_LAW_TWO_LEVEL_H

#include <stdbool.h>
#include <stdint.h>

#define CL_LEVEL_OFF 0U
#define CL_LEVEL_IDLE 1U
#define CL_LEVEL_HIGH 2U

typedef struct cl_law_settings {
    int16_t setpoint_c100;  /* middle of the band [1/100 deg C] */
    int16_t half_band_k100; /* half of it [1/100 K] */
    int16_t high_permille;  /* duty when high [1/1000] */
    int16_t idle_permille;  /* duty when idle [1/1000] */
} cl_law_settings;

typedef struct cl_law {
    uint8_t level; /* CL_LEVEL_ */
} cl_law;

#endif
