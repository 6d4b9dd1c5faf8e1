#include "law.h"

#include "fixed_point.h"

#define OFF_BELOW_K100 150 /* below the lower edge even idling stops [1/100 K] */

void cl_start_law(const cl_law_settings *settings, cl_law *law)
{
    (void)settings;
    law->level = CL_LEVEL_OFF;
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
    (void)law;
    (void)hot_c100;
    (void)cold_c100;
}

int16_t cl_step_law(const cl_law_settings *settings, cl_law *law, int16_t reading_c100)
{
    const int32_t half = CL_READ_I16(&settings->half_band_k100);
    const int32_t error = (int32_t)reading_c100 - (int32_t)CL_READ_I16(&settings->setpoint_c100);
    int16_t duty = 0;

    if (error >= half) {
        law->level = CL_LEVEL_HIGH;
    } else if (error <= (-half - OFF_BELOW_K100)) {
        law->level = CL_LEVEL_OFF;
    } else if (error <= -half) {
        if (law->level == CL_LEVEL_HIGH) {
            law->level = CL_LEVEL_IDLE;
        }
    } else if (law->level == CL_LEVEL_OFF) {
        law->level = CL_LEVEL_IDLE;
    } else {
        /* between them as before */
    }
    if (law->level == CL_LEVEL_HIGH) {
        duty = CL_READ_I16(&settings->high_permille);
    } else if (law->level == CL_LEVEL_IDLE) {
        duty = CL_READ_I16(&settings->idle_permille);
    } else {
        /* off */
    }
    return duty;
}

void cl_track_law(const cl_law_settings *settings, cl_law *law, int16_t final_permille,
                  bool frozen)
{
    /* There is no integral to wind up. */
    (void)settings;
    (void)law;
    (void)final_permille;
    (void)frozen;
}
