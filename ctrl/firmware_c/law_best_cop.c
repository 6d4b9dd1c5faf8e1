#include "law.h"

#include "fixed_point.h"
#include "integral.h"

#define TABLE_STEP_K100 INT32_C(1000) /* from one point to the next: 10 K [1/100 K] */
#define TABLE_SPAN_K100 INT32_C(8000)

void cl_start_law(const cl_law_settings *settings, cl_law *law)
{
    law->lift_k100 = CL_READ_I16(&settings->assumed_k100);
}

void cl_hear_law(const cl_law_settings *settings, cl_law *law, const coldloop_inputs *in)
{
    (void)settings;
    (void)law;
    (void)in;
}

void cl_observe_law(const cl_law_settings *settings, cl_law *law, int16_t hot_c100,
                    int16_t cold_c100)
{
    if ((hot_c100 != CL_NO_SENSOR) && (cold_c100 != CL_NO_SENSOR)) {
        law->lift_k100 = (int32_t)hot_c100 - (int32_t)cold_c100;
    } else {
        law->lift_k100 = CL_READ_I16(&settings->assumed_k100);
    }
}

/* Duty of the table at a difference, straight between its points [1/1000]; a damaged table
 * may hold more than full duty. */
static int32_t table_duty(const cl_law_settings *settings, int32_t lift_k100)
{
    int32_t beyond = cl_clamp(lift_k100, 0, TABLE_SPAN_K100);
    uint8_t point = 0U;
    int32_t low;
    int32_t rise;

    while ((point < (CL_COP_POINTS - 2U)) && (beyond >= TABLE_STEP_K100)) {
        beyond -= TABLE_STEP_K100;
        point++;
    }
    low = CL_READ_I16(&settings->table_permille[point]);
    rise = (int32_t)CL_READ_I16(&settings->table_permille[point + 1U]) - low;
    return cl_clamp(low + cl_div_round(rise * beyond, TABLE_STEP_K100), 0, CL_FULL_PERMILLE);
}

int16_t cl_step_law(const cl_law_settings *settings, cl_law *law, int16_t reading_c100)
{
    const int32_t half = CL_READ_I16(&settings->half_band_k100);
    const int32_t error = (int32_t)reading_c100 - (int32_t)CL_READ_I16(&settings->setpoint_c100);

    if (error >= half) {
        law->on = true;
    } else if (error <= -half) {
        law->on = false;
    } else {
        /* between them as before */
    }
    law->frozen = false;
    law->error_k100 = error - half;
    if (law->on) {
        const int32_t best = table_duty(settings, law->lift_k100);
        const int32_t wanted = cl_add_sat(
            cl_mul_shift(CL_READ_I32(&settings->kp_q20), law->error_k100, 0U), law->integral_q20);

        law->held = (wanted < (best * CL_ONE_Q20)) || (wanted > CL_FULL_Q20);
        law->demand_permille =
            (int16_t)cl_clamp(cl_mul_shift(wanted, 1, CL_GAIN_BITS), best, CL_FULL_PERMILLE);
    } else {
        /* What the hot day taught is forgotten: the next start is a gentle one. */
        law->integral_q20 = 0;
        law->held = true;
        law->demand_permille = 0;
    }
    return law->demand_permille;
}

void cl_track_law(const cl_law_settings *settings, cl_law *law, int16_t final_permille,
                  bool frozen)
{
    if (frozen) {
        law->frozen = true;
    }
    if (!law->frozen) {
        const bool limited = law->held || (final_permille != law->demand_permille);

        if (limited) {
            law->integral_q20 = cl_integral_towards(law->integral_q20, final_permille,
                                                    CL_READ_I32(&settings->reset_q24));
        } else {
            law->integral_q20 =
                cl_integral_by_error(law->integral_q20, CL_READ_I32(&settings->ki_q20),
                                     law->error_k100);
        }
    }
}
