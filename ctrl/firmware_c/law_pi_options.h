/* What the PI controller may have beyond its two gains.
 *
 * Gain schedule: the gain at two or three duties, straight lines between them; the duty is
 * the integral's, which moves slowly.  Setpoint weight b: the setpoint reaches the error
 * through (1 + b Ti s)/(1 + Ti s).  Feed-forward: duty for each kelvin of the room above
 * the setpoint; only its changes are added to the integral.
 */
#ifndef CL_LAW_PI_OPTIONS_H
#define CL_LAW_PI_OPTIONS_H

#include <stdint.h>

#include "law_pi.h"

/* Put the options to their start. */
void cl_start_pi_options(const cl_law_settings *settings, cl_law *law);

/* By how much the feed-forward moves in this period [2^-20 permille]. */
int32_t cl_change_forward(const cl_law_settings *settings, cl_law *law);

/* Write the gains of the integral's duty into law->options. */
void cl_find_gains(const cl_law_settings *settings, cl_law *law);

/* The setpoint that the error is taken from, one period on [1/100 deg C]. */
int32_t cl_weighted_setpoint(const cl_law_settings *settings, cl_law *law);

#endif
