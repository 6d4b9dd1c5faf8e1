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

int32_t cl_add_sat(int32_t a, int32_t b)
{
    int32_t sum;

    if ((b > 0) && (a > (INT32_MAX - b))) {
        sum = INT32_MAX;
    } else if ((b < 0) && (a < (INT32_MIN - b))) {
        sum = INT32_MIN;
    } else {
        sum = a + b;
    }
    return sum;
}

int32_t cl_sub_sat(int32_t a, int32_t b)
{
    int32_t difference;

    if ((b < 0) && (a > (INT32_MAX + b))) {
        difference = INT32_MAX;
    } else if ((b > 0) && (a < (INT32_MIN + b))) {
        difference = INT32_MIN;
    } else {
        difference = a - b;
    }
    return difference;
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
        value = negative ? INT32_MIN : INT32_MAX;
    } else if (negative) {
        value = -(int32_t)magnitude;
    } else {
        value = (int32_t)magnitude;
    }
    return value;
}

/* The one place where 32 bits do not hold a product. */
int32_t cl_mul_shift(int32_t a, int32_t b, uint8_t shift)
{
    uint64_t product = (uint64_t)magnitude_of(a) * magnitude_of(b);

    if (shift > 0U) {
        product = ((product >> (shift - 1U)) + 1U) >> 1U;
    }
    if (product > (uint64_t)UINT32_MAX) {
        product = UINT32_MAX;
    }
    return signed_of((uint32_t)product, (a < 0) != (b < 0));
}

int32_t cl_div_round(int32_t a, int32_t b)
{
    int32_t result;

    if ((a == 0) || (b == 1)) {
        result = a;
    } else if (b == 0) {
        result = (a > 0) ? INT32_MAX : INT32_MIN;
    } else {
        const uint32_t top = magnitude_of(a);
        const uint32_t bottom = magnitude_of(b);
        const uint32_t rest = top % bottom;
        uint32_t quotient = top / bottom;

        if (rest >= (bottom - rest)) {
            quotient += 1U;
        }
        result = signed_of(quotient, (a < 0) != (b < 0));
    }
    return result;
}

uint16_t cl_count(uint16_t ticks)
{
    return (ticks < UINT16_MAX) ? (uint16_t)(ticks + 1U) : UINT16_MAX;
}

int32_t cl_interpolate(const int16_t *table, int32_t code, uint8_t bits)
{
    const uint8_t shift = (uint8_t)(bits - 5U);
    const uint32_t span = (uint32_t)1U << bits;
    const uint32_t inside = (uint32_t)cl_clamp(code, 0, (int32_t)span - 1);
    const uint32_t segment = inside >> shift;
    const uint32_t part = inside - (segment << shift);
    const int32_t low = CL_READ_I16(&table[segment]);
    const int32_t high = CL_READ_I16(&table[segment + 1U]);

    return cl_add_sat(low, cl_mul_shift(high - low, (int32_t)part, shift));
}
