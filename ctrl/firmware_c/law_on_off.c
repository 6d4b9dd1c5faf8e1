#include "law.h"

#include "fixed_point.h"

void cl_start_law(const cl_law_settings *settings, cl_law *law)
{
    (void)settings;
    law->on = false;
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

    if (error >= half) {
        law->on = true;
    } else if (error <= -half) {
        law->on = false;
    } else {
        /* between them as before */
    }
    return law->on ? CL_READ_I16(&settings->on_permille) : 0;
}

void cl_track_law(const cl_law_settings *settings, cl_law *law, int16_t final_permille,
                  bool frozen)
{
    /* A thermostat has no integral to wind up. */
    (void)settings;
    (void)law;
    (void)final_permille;
    (void)frozen;
}
