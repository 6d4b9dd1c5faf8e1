/* Defrost on demand: ice shows as a larger air-to-sink difference at equal duty.
 *
 * Differences are compared within bands of an eighth of full duty, in proportion to the
 * duty within a band.  What is clean is learnt in the time after a melt that ended warm; a
 * band never seen clean is never judged.
 */
#ifndef CL_DEFROST_DEMAND_H
#define CL_DEFROST_DEMAND_H

#include <stdbool.h>
#include <stdint.h>

#include "defrost.h"

#if CL_WITH_DEMAND

/* Watch one tick of running; true when the difference has grown by the stated share.
 * Readings or CL_NO_SENSOR [1/100 deg C]; duty of the last tick [1/1000]. */
bool cl_has_grown(const cl_defrost_settings *settings, cl_defrost *defrost,
                  int16_t control_c100, int16_t cold_c100, int16_t duty_permille);

#endif

#endif
