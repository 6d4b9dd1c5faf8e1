/* The controller in use: one of the laws, chosen when this was exported.
 *
 * Every law has the same four functions; only one law's file is compiled.
 */
#ifndef CL_LAW_H
#define CL_LAW_H

#include "coldloop_features.h"

#if CL_LAW == CL_LAW_FIXED
#include "law_fixed.h"
#elif CL_LAW == CL_LAW_ON_OFF
#include "law_on_off.h"
#elif CL_LAW == CL_LAW_PI
#include "law_pi.h"
#elif CL_LAW == CL_LAW_TWO_LEVEL
#include "law_two_level.h"
#elif CL_LAW == CL_LAW_CASCADE
#include "law_cascade.h"
#elif CL_LAW == CL_LAW_BEST_COP
#include "law_best_cop.h"
#else
#error "CL_LAW: expected one of the laws of coldloop_features.h"
#endif

#include "coldloop_controller_io.h"

/* Put the law to its start: nothing learned. */
void cl_start_law(const cl_law_settings *settings, cl_law *law);

/* Take the tick's other codes, where the law needs one; every tick. */
void cl_hear_law(const cl_law_settings *settings, cl_law *law, const coldloop_inputs *in);

/* Take both sinks' readings before a step, CL_NO_SENSOR where there is none [1/100 deg C]. */
void cl_observe_law(const cl_law_settings *settings, cl_law *law, int16_t hot_c100,
                    int16_t cold_c100);

/* Demanded duty at a control reading [1/100 deg C], once a control period [1/1000]. */
int16_t cl_step_law(const cl_law_settings *settings, cl_law *law, int16_t reading_c100);

/* Told the mean duty given since the last step [1/1000]; frozen: defrost, fault or trip. */
void cl_track_law(const cl_law_settings *settings, cl_law *law, int16_t final_permille,
                  bool frozen);

#endif
