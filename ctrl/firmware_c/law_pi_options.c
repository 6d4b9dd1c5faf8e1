#include "law_pi_options.h"

#include "fixed_point.h"
#include "port.h"
#include "readings.h"

#define WEIGHT_BITS 15U
#define WEIGHT_ONE INT32_C(32768)
#define Q16_BITS 16U
#define ONE_Q16 INT32_C(65536)

void cl_start_pi_options(const cl_law_settings *settings, cl_law *law)
{
    cl_pi_option_state *now = &law->options;

    now->reference_q16 = CL_READ_I16(&settings->setpoint_c100) * ONE_Q16;
    now->ambient_c100 = CL_NO_SENSOR;
    cl_start_sensor(&settings->options.ambient, &now->ambient);
}

int32_t cl_change_forward(const cl_law_settings *settings, cl_law *law)
{
    cl_pi_option_state *now = &law->options;
    const int32_t slope = CL_READ_I32(&settings->options.slope_q20);
    int32_t change = 0;

    if ((slope != 0) && (now->ambient_c100 != CL_NO_SENSOR)) {
        const int32_t target = now->ambient_c100 * ONE_Q16;
        const int32_t before = now->forward_q20;
        int32_t above;

        if (now->forward_on) {
            const int32_t share = CL_READ_I32(&settings->options.smoothing_q24);
            const int32_t behind = cl_sub_sat(target, now->ambient_q16);

            now->ambient_q16 =
                cl_add_sat(now->ambient_q16, cl_mul_shift(behind, share, CL_SHARE_BITS));
        } else {
            now->ambient_q16 = target;
            now->forward_on = true;
        }
        above = cl_sub_sat(cl_mul_shift(now->ambient_q16, 1, Q16_BITS),
                           CL_READ_I16(&settings->setpoint_c100));
        now->forward_q20 = cl_clamp(cl_mul_shift(slope, above, 0U), 0, CL_FULL_Q20);
        change = cl_sub_sat(now->forward_q20, before);
    }
    return change;
}

/* low + (high - low) share, the share in 2^-15. */
static int32_t between(int32_t low, int32_t high, int32_t share)
{
    return cl_add_sat(low, cl_mul_shift(cl_sub_sat(high, low), share, WEIGHT_BITS));
}

/* A gain between a point of the schedule and the next. */
static int32_t scheduled(const int32_t *gains, int32_t share)
{
    return between(CL_READ_I32(&gains[0]), CL_READ_I32(&gains[1]), share);
}

void cl_find_gains(const cl_law_settings *settings, cl_law *law)
{
    const cl_pi_options *options = &settings->options;
    const uint16_t points = CL_READ_U16(&options->points);

    if (points == 0U) {
        law->options.kp_now_q20 = CL_READ_I32(&settings->kp_q20);
        law->options.ki_now_q20 = CL_READ_I32(&settings->ki_q20);
    } else {
        const int32_t duty = cl_mul_shift(law->integral_q20, 1, CL_GAIN_BITS);
        uint8_t low = 0U;
        int32_t from;
        int32_t to;
        int32_t share;

        /* Damaged settings may say any number of points: those there are, are looked at. */
        while ((low < (CL_SCHEDULE_POINTS - 2U)) && (points > (low + 2U))
               && (duty >= CL_READ_I16(&options->schedule_permille[low + 1U]))) {
            low++;
        }
        from = CL_READ_I16(&options->schedule_permille[low]);
        to = CL_READ_I16(&options->schedule_permille[low + 1U]);
        share = cl_div_round((cl_clamp(duty, from, to) - from) * WEIGHT_ONE, to - from);
        law->options.kp_now_q20 = scheduled(&options->schedule_kp_q20[low], share);
        law->options.ki_now_q20 = scheduled(&options->schedule_ki_q20[low], share);
    }
}

int32_t cl_weighted_setpoint(const cl_law_settings *settings, cl_law *law)
{
    const int32_t weight = (int32_t)CL_READ_U16(&settings->options.weight_q15);
    int32_t setpoint = CL_READ_I16(&settings->setpoint_c100);

    if (weight != WEIGHT_ONE) {
        const int32_t behind = cl_sub_sat(setpoint * ONE_Q16, law->options.reference_q16);
        const int32_t step =
            cl_mul_shift(behind, CL_READ_I32(&settings->reset_q24), CL_SHARE_BITS);
        int32_t slow;

        law->options.reference_q16 = cl_add_sat(law->options.reference_q16, step);
        slow = cl_mul_shift(law->options.reference_q16, 1, Q16_BITS);
        setpoint = between(slow, setpoint, weight);
    }
    return setpoint;
}
