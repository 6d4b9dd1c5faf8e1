/* What stands between any controller and the module.
 *
 * cl_guard_tick runs first in every tick: it reads the sensors and decides on trip, fault,
 * low battery and defrost.  cl_schedule says whether the controller is due.  cl_limit runs
 * last: it takes the demanded duty through every limiter, in this order of priority:
 *
 *   trip > sensor fault > hot fan > low battery > defrost > fold-back > duty limit
 *        > slew > minimum times
 *
 * Trip, sensor fault and low battery switch off at once.  Nothing passes over the minimum
 * off-time, not even a reset: starting up counts as just switched off.  The reason always
 * says why the output is what it is.
 *
 * These limits protect parts; they are no safety device.  A thermal cut-out on the hot
 * sink and a fuse at the supply are.
 */
#ifndef CL_PROTECTION_H
#define CL_PROTECTION_H

#include <stdbool.h>
#include <stdint.h>

#include "coldloop_controller_io.h"
#include "defrost.h"
#include "readings.h"
#include "slow_window.h"
#include "tachometer.h"

/* What cl_schedule answers. */
#define CL_DUE_NOTHING 0U
#define CL_DUE_STEP 1U
#define CL_DUE_TRACK_AND_STEP 2U
#define CL_DUE_FREEZE 3U

typedef struct cl_protection_settings {
    int32_t cut_off_mv;             /* off below; 0: no such limit [mV] */
    int32_t resume_mv;              /* on again above [mV] */
    uint16_t min_on_ticks;          /* shortest on-time [ticks] */
    uint16_t min_off_ticks;         /* shortest off-time [ticks] */
    uint16_t hot_fan_run_on_ticks;  /* hot fan after the module went off [ticks] */
    uint16_t tick_ms;               /* base tick [ms] */
    uint16_t period_ticks;          /* control period [ticks] */
    int16_t duty_limit_permille;    /* largest duty [1/1000] */
    int16_t slew_permille_per_tick; /* largest change of duty [1/1000 per tick] */
    uint16_t switch_only;           /* 1: the drive can only be on or off */
    int16_t fold_start_c100;        /* hot sink: fold-back begins [1/100 deg C] */
    int16_t fold_full_c100;         /* hot sink: fold-back is full [1/100 deg C] */
    int16_t trip_c100;              /* hot sink: trip [1/100 deg C] */
    uint16_t cold_fan_with_module;  /* 1: the cold fan runs only with the module */
    uint16_t battery_ticks;         /* how long the supply must be low [ticks] */
    uint16_t hot_fan_start_ticks;   /* may stand still; 0: no tachometer [ticks] */
    uint16_t cold_fan_start_ticks;  /* may stand still; 0: no tachometer [ticks] */
    uint16_t fan_turn_ticks;        /* must turn to be believed again [ticks] */
    cl_defrost_settings defrost;
    cl_sensor_settings control;
    cl_sensor_settings hot;
    cl_sensor_settings cold;
    cl_window_settings window;
} cl_protection_settings;

/* What every function needs stands first: an 8-bit processor reaches 63 bytes at once. */
typedef struct cl_guard {
    int32_t sum_permille;     /* of the duty given since the last step [1/1000] */
    uint16_t on_ticks;        /* since switched on [ticks] */
    uint16_t off_ticks;       /* since switched off [ticks] */
    uint16_t sum_ticks;       /* that it was summed over [ticks] */
    uint16_t period_count;    /* until the next step [ticks] */
    uint16_t battery_ticks;   /* with the supply below cut-off [ticks] */
    int16_t air_c100;         /* control reading [1/100 deg C] */
    int16_t hot_c100;         /* hot-sink reading [1/100 deg C] */
    int16_t cold_c100;        /* cold-sink reading [1/100 deg C] */
    int16_t demand_permille;  /* what the controller asks for [1/1000] */
    int16_t final_permille;   /* after every limiter [1/1000] */
    uint8_t reason;           /* CL_REASON_: why the output is what it is */
    uint8_t forced;           /* CL_REASON_ that switches off at once, or as asked */
    bool hot_fan;
    bool cold_fan;
    bool alarm;
    bool warning;
    bool tripped;             /* latched until a reset */
    bool frozen;              /* trip, fault, low battery or defrost */
    bool folded;              /* switch-only drive: off until the hot sink has cooled */
    bool low_battery;
    cl_sensor control;
    cl_sensor hot;
    cl_sensor cold;
    cl_defrost defrost;
#if CL_WITH_WINDOW
    cl_window window;
#endif
#if CL_WITH_TACHOMETER
    cl_tachometer hot_tachometer;
    cl_tachometer cold_tachometer;
#endif
} cl_guard;

/* Power-up: off, just switched off, nothing read.  Of a guard that is zero. */
void cl_start_guard(const cl_protection_settings *settings, cl_guard *guard);

/* Read the sensors and decide on trip, fault, low battery and defrost. */
void cl_guard_tick(const cl_protection_settings *settings, cl_guard *guard,
                   const coldloop_inputs *in);

/* What the controller has to do in this tick: one of CL_DUE_. */
uint8_t cl_schedule(const cl_protection_settings *settings, cl_guard *guard);

/* Mean duty given since the last step [1/1000]; starts the next mean. */
int16_t cl_take_mean(cl_guard *guard);

/* Take the demand through every limiter, set the fans, say why. */
void cl_limit(const cl_protection_settings *settings, cl_guard *guard);

#endif
