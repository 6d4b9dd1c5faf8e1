#include "integral.h"

#include "fixed_point.h"

static int32_t moved(int32_t integral_q20, int32_t change)
{
    return cl_clamp(cl_add_sat(integral_q20, change), 0, CL_FULL_Q20);
}

int32_t cl_integral_by_error(int32_t integral_q20, int32_t ki_q20, int32_t error_k100)
{
    return moved(integral_q20, cl_mul_shift(ki_q20, error_k100, 0U));
}

int32_t cl_integral_towards(int32_t integral_q20, int16_t final_permille, int32_t reset_q24)
{
    const int32_t given = cl_clamp(final_permille, 0, CL_FULL_PERMILLE) * CL_ONE_Q20;

    return moved(integral_q20,
                 cl_mul_shift(cl_sub_sat(given, integral_q20), reset_q24, CL_SHARE_BITS));
}
