#include "fixed_point.h"

#include <stdbool.h>

int32_t cl_clamp(int32_t x, int32_t low, int32_t high)
{
    int32_t held = x;

    if (x < low) {
        held = low;
    } else if (x > high) {
        held = high;
    } else {
        /* within */
    }
    return held;
}

int16_t cl_clamp16(int16_t x, int16_t low, int16_t high)
{
    int16_t held = x;

    if (x < low) {
        held = low;
    } else if (x > high) {
        held = high;
    } else {
        /* within */
    }
    return held;
}

int16_t cl_read_permille(const int16_t *permille)
{
    return cl_clamp16(CL_READ_I16(permille), 0, CL_FULL_DUTY);
}

int32_t cl_add_sat(int32_t a, int32_t b)
{
    int32_t sum;

    if ((b > 0) && (a > (INT32_MAX - b))) {
        sum = INT32_MAX;
    } else if ((b < 0) && (a < (CL_INT32_LOWEST - b))) {
        sum = CL_INT32_LOWEST;
    } else {
        sum = a + b;
    }
    return sum;
}

int32_t cl_sub_sat(int32_t a, int32_t b)
{
    /* -b of the lowest b does not fit: 2^31 is added in two steps. */
    return (b == CL_INT32_LOWEST) ? cl_add_sat(cl_add_sat(a, INT32_MAX), 1) : cl_add_sat(a, -b);
}

/* |x|; that of INT32_MIN fits too. */
static uint32_t magnitude_of(int32_t x)
{
    uint32_t magnitude = (uint32_t)x;

    if (x < 0) {
        magnitude = 0U - magnitude;
    }
    return magnitude;
}

/* The signed number of a magnitude, held within int32. */
static int32_t signed_of(uint32_t magnitude, bool negative)
{
    int32_t value;

    if (magnitude > (uint32_t)INT32_MAX) {
        value = INT32_MAX;
        if (negative) {
            value = CL_INT32_LOWEST;
        }
    } else {
        value = (int32_t)magnitude;
        if (negative) {
            value = -value;
        }
    }
    return value;
}

/* Shift and add, bit by bit: an 8-bit processor has no 64-bit multiplication, and this takes
 * the least flash and stack.  The multiplier's bits fall out of `low` as the product's come
 * in; after 32 of them only the shift is left, and the last bit out rounds.  `high` stays
 * below p, as (high + p) / 2 does, and p is 2^31 at most: their sum never overflows. */
int32_t cl_mul_shift(int32_t a, int32_t b, uint8_t shift)
{
    const uint32_t p = magnitude_of(a);
    uint32_t low = magnitude_of(b);
    uint32_t high = 0U;
    uint8_t last = 0U;
    uint8_t left;

    for (left = (uint8_t)(32U + shift); left > 0U; left--) {
        last = (uint8_t)(low & 1U);
        if ((left > shift) && (last != 0U)) {
            high += p;
        }
        low >>= 1U;
        if ((high & 1U) != 0U) {
            low |= 0x80000000U;
        }
        high >>= 1U;
    }
    if ((high > 0U) || (low > (uint32_t)INT32_MAX)) {
        low = UINT32_MAX; /* held at an end of int32, whatever it rounds to */
    } else if ((shift > 0U) && (last != 0U)) {
        low += 1U;
    } else {
        /* rounds down */
    }
    return signed_of(low, (a < 0) != (b < 0));
}

int32_t cl_div_round(int32_t a, int32_t b)
{
    int32_t result;

    if ((a == 0) || (b == 1)) {
        result = a;
    } else if (b == 0) {
        result = (a > 0) ? INT32_MAX : CL_INT32_LOWEST;
    } else {
        /* Half the divisor on top rounds half up; 2^31 + 2^30 still fits. */
        const uint32_t bottom = magnitude_of(b);

        result = signed_of((magnitude_of(a) + (bottom >> 1U)) / bottom, (a < 0) != (b < 0));
    }
    return result;
}

uint16_t cl_count(uint16_t ticks)
{
    return (ticks < UINT16_MAX) ? (uint16_t)(ticks + 1U) : UINT16_MAX;
}

int32_t cl_interpolate(const int16_t *table, int32_t code, uint8_t bits)
{
    const uint8_t held = (uint8_t)cl_clamp16(bits, 8, 16); /* damaged settings may say more */
    const uint8_t shift = (uint8_t)(held - 5U);
    const uint32_t span = (uint32_t)1U << held;
    const uint16_t inside = (uint16_t)cl_clamp(code, 0, (int32_t)span - 1);
    const uint16_t segment = (uint16_t)(inside >> shift);
    const uint16_t part = (uint16_t)(inside - (uint16_t)(segment << shift));
    const int32_t low = CL_READ_I16(&table[segment]);
    const int32_t high = CL_READ_I16(&table[segment + 1U]);

    return low + cl_mul_shift(high - low, (int32_t)part, shift);
}
