#include "law.h"

#include "fixed_point.h"

void cl_start_law(const cl_law_settings *settings, cl_law *law)
{
    (void)settings;
    law->demand_permille = 0;
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
    (void)reading_c100;
    law->demand_permille = cl_read_permille(&settings->duty_permille);
    return law->demand_permille;
}

void cl_track_law(const cl_law_settings *settings, cl_law *law, int16_t final_permille,
                  bool frozen)
{
    /* A constant has nothing to wind up. */
    (void)settings;
    (void)law;
    (void)final_permille;
    (void)frozen;
}
