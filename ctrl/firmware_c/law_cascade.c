#include "law.h"

#include "fixed_point.h"
#include "integral.h"

#define OUTER_BITS 18U
#define ONE_Q18 INT32_C(262144)
#define MOST_DROP_K100 INT32_C(8000) /* times the above it still fits */
#define BLIND_HALF_BAND_K100 25

void cl_start_law(const cl_law_settings *settings, cl_law *law)
{
    (void)settings;
    law->cold_c100 = CL_NO_SENSOR;
    law->fresh = true;
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
    (void)settings;
    (void)hot_c100;
    law->cold_c100 = cold_c100;
}

/* The largest drop that may be asked for [1/100 K]; damaged settings may say more. */
static int32_t most_drop(const cl_law_settings *settings)
{
    const int32_t drop = (int32_t)CL_READ_I16(&settings->setpoint_c100)
                         - (int32_t)CL_READ_I16(&settings->floor_c100);

    return cl_clamp(drop, 0, MOST_DROP_K100);
}

/* How far the sink is below the setpoint, within what may be asked for [1/100 K]. */
static int32_t drop_there(const cl_law_settings *settings, const cl_law *law)
{
    const int32_t drop =
        (int32_t)CL_READ_I16(&settings->setpoint_c100) - (int32_t)law->cold_c100;

    return cl_clamp(drop, 0, most_drop(settings));
}

/* The stand-in thermostat's duty; both integrals stand still. */
static int16_t step_blind(const cl_law_settings *settings, cl_law *law)
{
    if (law->outer_error_k100 >= BLIND_HALF_BAND_K100) {
        law->blind_on = true;
    } else if (law->outer_error_k100 <= -BLIND_HALF_BAND_K100) {
        law->blind_on = false;
    } else {
        /* between them as before */
    }
    law->frozen = true;
    return law->blind_on ? CL_READ_I16(&settings->blind_permille) : 0;
}

/* How far below the setpoint the sink shall be [1/100 K]. */
static int16_t sought_drop(const cl_law_settings *settings, cl_law *law)
{
    const int32_t most = most_drop(settings);
    const int32_t proportional =
        cl_mul_shift(CL_READ_I32(&settings->outer_kp_q18), law->outer_error_k100, 0U);
    int32_t wanted;

    if (law->fresh) {
        /* No bump at the first reading: ask for the drop that is there. */
        const int32_t start =
            cl_sub_sat(drop_there(settings, law) * ONE_Q18, proportional);

        law->outer_integral_q18 = cl_clamp(start, 0, most * ONE_Q18);
        law->fresh = false;
    }
    wanted = cl_add_sat(proportional, law->outer_integral_q18);
    law->outer_saturated = (wanted < 0) || (wanted > (most * ONE_Q18));
    return (int16_t)cl_clamp(cl_mul_shift(wanted, 1, OUTER_BITS), 0, most);
}

int16_t cl_step_law(const cl_law_settings *settings, cl_law *law, int16_t reading_c100)
{
    const int32_t setpoint = CL_READ_I16(&settings->setpoint_c100);

    law->outer_error_k100 = (int32_t)reading_c100 - setpoint;
    if (law->cold_c100 == CL_NO_SENSOR) {
        law->demand_permille = step_blind(settings, law);
    } else {
        int32_t wanted;

        law->frozen = false;
        law->drop_k100 = sought_drop(settings, law);
        law->error_k100 = (int32_t)law->cold_c100 - (setpoint - law->drop_k100);
        wanted = cl_add_sat(cl_mul_shift(CL_READ_I32(&settings->kp_q20), law->error_k100, 0U),
                            law->integral_q20);
        law->saturated = (wanted < 0) || (wanted > CL_FULL_Q20);
        law->demand_permille =
            (int16_t)cl_clamp(cl_mul_shift(wanted, 1, CL_GAIN_BITS), 0, CL_FULL_PERMILLE);
    }
    return law->demand_permille;
}

/* Move the outer integral; limited: the inner loop could not follow. */
static void track_outer(const cl_law_settings *settings, cl_law *law, bool limited)
{
    int32_t change;

    if (law->outer_saturated || limited) {
        const int32_t drop = limited ? drop_there(settings, law) : law->drop_k100;

        change = cl_mul_shift(cl_sub_sat(drop * ONE_Q18, law->outer_integral_q18),
                              CL_READ_I32(&settings->outer_reset_q24), CL_SHARE_BITS);
    } else {
        change = cl_mul_shift(CL_READ_I32(&settings->outer_ki_q18), law->outer_error_k100, 0U);
    }
    law->outer_integral_q18 = cl_clamp(cl_add_sat(law->outer_integral_q18, change), 0,
                                       most_drop(settings) * ONE_Q18);
}

void cl_track_law(const cl_law_settings *settings, cl_law *law, int16_t final_permille,
                  bool frozen)
{
    if (frozen) {
        law->frozen = true;
    }
    if (!law->frozen) {
        const bool limited = law->saturated || (final_permille != law->demand_permille);

        if (limited) {
            law->integral_q20 = cl_integral_towards(law->integral_q20, final_permille,
                                                    CL_READ_I32(&settings->reset_q24));
        } else {
            law->integral_q20 =
                cl_integral_by_error(law->integral_q20, CL_READ_I32(&settings->ki_q20),
                                     law->error_k100);
        }
        track_outer(settings, law, limited);
    }
}
