#include "defrost_demand.h"

#include "fixed_point.h"
#include "port.h"

#if CL_WITH_DEMAND

#define BAND_PERMILLE 125U /* width of a band [1/1000] */
#define HALF_BAND 62U      /* half of it, rounded down */
#define SCALE 16          /* parts of 1/100 K that the mean keeps */
#define MEAN_BITS 6U      /* of the running mean: 64 ticks */
#define LEARN_BITS 8U     /* of the running mean of what is clean: 256 ticks */
#define MOST_C100 INT32_C(32000)

/* Take one reading into the running mean of difference over duty, anew in a new band. */
static void follow(cl_defrost *defrost, int32_t difference_c100, int16_t duty_permille)
{
    const uint8_t band = (uint8_t)(((uint16_t)duty_permille + HALF_BAND) / BAND_PERMILLE);
    const int32_t at_full = cl_div_round(cl_clamp(difference_c100, 0, MOST_C100) * CL_FULL_PERMILLE,
                                         cl_clamp(duty_permille, 1, CL_FULL_PERMILLE));
    const int32_t seen = cl_clamp(at_full, 0, MOST_C100) * SCALE;

    if (band != defrost->band) {
        defrost->band = band;
        defrost->steady = 0U;
        defrost->held = 0U;
    }
    /* Until the sink has settled at this duty, its latest reading is all that counts. */
    if (defrost->steady == 0U) {
        defrost->mean = seen;
    } else {
        defrost->mean += cl_mul_shift(seen - defrost->mean, 1, MEAN_BITS);
    }
    defrost->steady = cl_count(defrost->steady);
}

/* Learn what is clean, or judge by it; true when it has grown for long enough. */
static bool judge(const cl_defrost_settings *settings, cl_defrost *defrost)
{
    const int32_t clean = defrost->clean[defrost->band];
    bool grown = false;

    if ((defrost->end == CL_END_WARM) && (defrost->ticks >= 0)
        && (defrost->ticks <= CL_READ_I32(&settings->learn_ticks))) {
        if (clean == 0) {
            defrost->clean[defrost->band] = defrost->mean;
        } else {
            defrost->clean[defrost->band] =
                clean + cl_mul_shift(cl_sub_sat(defrost->mean, clean), 1, LEARN_BITS);
        }
    } else {
        const int32_t limit = CL_FULL_PERMILLE + cl_read_permille(&settings->share_permille);

        if ((clean > 0) && (defrost->mean >= cl_div_round(clean * limit, CL_FULL_PERMILLE))) {
            defrost->held = cl_count(defrost->held);
        } else {
            defrost->held = 0U;
        }
        grown = defrost->held >= CL_READ_U16(&settings->hold_ticks);
    }
    return grown;
}

bool cl_has_grown(const cl_defrost_settings *settings, cl_defrost *defrost,
                  int16_t control_c100, int16_t cold_c100, int16_t duty_permille)
{
    const int32_t difference = (int32_t)control_c100 - (int32_t)cold_c100;
    bool grown = false;

    if ((control_c100 == CL_NO_SENSOR) || (cold_c100 == CL_NO_SENSOR)
        || (difference == CL_NO_SENSOR)) {
        defrost->steady = 0U;
        defrost->held = 0U;
    } else {
        follow(defrost, difference, duty_permille);
        if ((defrost->band != 0U)
            && (defrost->steady >= CL_READ_U16(&settings->settle_ticks))) {
            grown = judge(settings, defrost);
        }
    }
    return grown;
}

#endif
