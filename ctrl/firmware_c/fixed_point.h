/* Whole-number arithmetic that saturates and rounds half away from zero.
 *
 * No sum, product, quotient or shift of signed numbers that could leave its width is
 * written anywhere else: C99 leaves the overflow of a sum undefined and the right
 * shift of a negative number to the compiler.
 */
#ifndef CL_FIXED_POINT_H
#define CL_FIXED_POINT_H

#include <stdint.h>

#include "port.h"

/* Reading of a sensor that is not fitted, not yet read or faulty [1/100 deg C]. */
#define CL_NO_SENSOR (-32767 - 1)

/* Fraction bits: gains and integrals of the duty [1/1000]; shares of a period [-]. */
#define CL_GAIN_BITS 20U
#define CL_SHARE_BITS 24U
#define CL_ONE_Q20 INT32_C(1048576)
#define CL_FULL_PERMILLE INT32_C(1000)
#define CL_INT32_LOWEST (-INT32_MAX - 1)
#define CL_FULL_DUTY 1000 /* the same in 16 bits */
#define CL_FULL_Q20 INT32_C(1048576000)

/* Points of a thermistor's table over the span of the converter. */
#define CL_TABLE_POINTS 33U

/* x held between low and high. */
int32_t cl_clamp(int32_t x, int32_t low, int32_t high);
int16_t cl_clamp16(int16_t x, int16_t low, int16_t high);

/* A setting in flash that is a share of 0 to 1000, held within it should it be damaged. */
int16_t cl_read_permille(const int16_t *permille);

/* a + b and a - b, held within int32. */
int32_t cl_add_sat(int32_t a, int32_t b);
int32_t cl_sub_sat(int32_t a, int32_t b);

/* a b / 2^shift, rounded half away from zero, held within int32; shift 0 to 31. */
int32_t cl_mul_shift(int32_t a, int32_t b, uint8_t shift);

/* a / b, rounded half away from zero; by zero: the end of int32 on the side of a. */
int32_t cl_div_round(int32_t a, int32_t b);

/* One more, held at 65535. */
uint16_t cl_count(uint16_t ticks);

/* Value of a table of CL_TABLE_POINTS in flash at a code of a converter of so many bits;
 * the bits are held within 8 to 16, and the code within their span, first. */
int32_t cl_interpolate(const int16_t *table, int32_t code, uint8_t bits);

#endif
