#include "law.h"

#include "fixed_point.h"
#include "integral.h"
#if CL_WITH_PI_OPTIONS
#include "law_pi_options.h"
#endif

void cl_start_law(const cl_law_settings *settings, cl_law *law)
{
#if CL_WITH_PI_OPTIONS
    cl_start_pi_options(settings, law);
#else
    (void)settings;
    (void)law;
#endif
}

void cl_hear_law(const cl_law_settings *settings, cl_law *law, const coldloop_inputs *in)
{
#if CL_WITH_PI_OPTIONS
    law->options.ambient_c100 =
        cl_read_sensor(&settings->options.ambient, &law->options.ambient, in->ambient_code);
#else
    (void)settings;
    (void)law;
    (void)in;
#endif
}

void cl_observe_law(const cl_law_settings *settings, cl_law *law, int16_t hot_c100,
                    int16_t cold_c100)
{
    (void)settings;
    (void)law;
    (void)hot_c100;
    (void)cold_c100;
}

int16_t cl_step_law(const cl_law_settings *settings, cl_law *law, int16_t reading_c100)
{
    int32_t wanted;
#if CL_WITH_PI_OPTIONS
    int32_t kp;
    int32_t setpoint;

    wanted = cl_add_sat(law->integral_q20, cl_change_forward(settings, law));
    law->integral_q20 = cl_clamp(wanted, 0, CL_FULL_Q20);
    cl_find_gains(settings, law);
    kp = law->options.kp_now_q20;
    setpoint = cl_weighted_setpoint(settings, law);
#else
    const int32_t kp = CL_READ_I32(&settings->kp_q20);
    const int32_t setpoint = CL_READ_I16(&settings->setpoint_c100);
#endif

    law->error_k100 = cl_sub_sat(reading_c100, setpoint);
    wanted = cl_add_sat(cl_mul_shift(kp, law->error_k100, 0U), law->integral_q20);
    law->saturated = (wanted < 0) || (wanted > CL_FULL_Q20);
    law->demand_permille =
        (int16_t)cl_clamp(cl_mul_shift(wanted, 1, CL_GAIN_BITS), 0, CL_FULL_PERMILLE);
    law->frozen = false;
    return law->demand_permille;
}

void cl_track_law(const cl_law_settings *settings, cl_law *law, int16_t final_permille,
                  bool frozen)
{
    if (frozen) {
        law->frozen = true;
    }
    if (!law->frozen) {
        const bool limited = law->saturated || (final_permille != law->demand_permille);
#if CL_WITH_PI_OPTIONS
        const int32_t ki = law->options.ki_now_q20;
#else
        const int32_t ki = CL_READ_I32(&settings->ki_q20);
#endif

        if (limited) {
            law->integral_q20 = cl_integral_towards(law->integral_q20, final_permille,
                                                    CL_READ_I32(&settings->reset_q24));
        } else {
            law->integral_q20 =
                cl_integral_by_error(law->integral_q20, ki, law->error_k100);
        }
    }
}
