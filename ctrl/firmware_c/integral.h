/* The integral of a PI law, one control period at a time, with its anti-windup. */
#ifndef CL_INTEGRAL_H
#define CL_INTEGRAL_H

#include <stdint.h>

/* The integral a period later [2^-20 permille], by the error.
 * ki_q20: permille per 1/100 K and period. */
int32_t cl_integral_by_error(int32_t integral_q20, int32_t ki_q20, int32_t error_k100);

/* The same where the law's demand was clamped or not given: towards the mean duty that was
 * given since the last step.  reset_q24: period over integral time. */
int32_t cl_integral_towards(int32_t integral_q20, int16_t final_permille, int32_t reset_q24);

#endif
