#include "protection.h"

#include "fixed_point.h"
#include "port.h"

#define FOLD_BACK_FALL 700      /* what fold-back takes at its full point [1/1000] */
#define HOT_FAN_HYSTERESIS 500  /* below the start of fold-back [1/100 K] */

void cl_start_guard(const cl_protection_settings *settings, cl_guard *guard)
{
    guard->air_c100 = CL_NO_SENSOR;
    guard->hot_c100 = CL_NO_SENSOR;
    guard->cold_c100 = CL_NO_SENSOR;
    guard->reason = CL_REASON_FIRST_READING;
    guard->forced = CL_REASON_FIRST_READING;
    guard->frozen = true;
    cl_start_defrost(&guard->defrost);
    cl_start_sensor(&settings->control, &guard->control);
    cl_start_sensor(&settings->hot, &guard->hot);
    cl_start_sensor(&settings->cold, &guard->cold);
#if CL_WITH_WINDOW
    cl_start_window(&settings->window, &guard->window);
#endif
}

/* Latch the trip; keep the on-off fold-back of a switch-only drive. */
static void watch_hot_sink(const cl_protection_settings *settings, cl_guard *guard)
{
    const int16_t hot = guard->hot_c100;

    if (hot != CL_NO_SENSOR) {
        if (hot > CL_READ_I16(&settings->trip_c100)) {
            guard->tripped = true;
        }
        if (hot > CL_READ_I16(&settings->fold_full_c100)) {
            guard->folded = true;
        } else if (hot < CL_READ_I16(&settings->fold_start_c100)) {
            guard->folded = false;
        } else {
            /* between them as before */
        }
    }
}

/* Switch off after a lasting low supply, on again above the resume voltage. */
static void watch_battery(const cl_protection_settings *settings, cl_guard *guard,
                          int32_t supply_mv)
{
    const int32_t cut_off = CL_READ_I32(&settings->cut_off_mv);

    if ((cut_off == 0) || (supply_mv == CL_NO_SENSOR)) {
        guard->battery_ticks = 0U;
    } else {
        if (supply_mv < cut_off) {
            guard->battery_ticks = cl_count(guard->battery_ticks);
        } else {
            guard->battery_ticks = 0U;
        }
        if (guard->battery_ticks >= CL_READ_U16(&settings->battery_ticks)) {
            guard->low_battery = true;
        } else if (supply_mv > CL_READ_I32(&settings->resume_mv)) {
            guard->low_battery = false;
        } else {
            /* between them as before */
        }
    }
}

#if CL_WITH_TACHOMETER
/* Look whether the fans turn that were commanded on in the tick before. */
static void watch_fans(const cl_protection_settings *settings, cl_guard *guard,
                       const coldloop_inputs *in)
{
    const uint16_t turn_ticks = CL_READ_U16(&settings->fan_turn_ticks);

    cl_watch_fan(&guard->hot_tachometer, CL_READ_U16(&settings->hot_fan_start_ticks), turn_ticks,
                 guard->hot_fan, in->hot_fan_pulses);
    cl_watch_fan(&guard->cold_tachometer, CL_READ_U16(&settings->cold_fan_start_ticks),
                 turn_ticks, guard->cold_fan, in->cold_fan_pulses);
}
#endif

static bool hot_fan_stalled(const cl_guard *guard)
{
#if CL_WITH_TACHOMETER
    return guard->hot_tachometer.stalled;
#else
    (void)guard;
    return false;
#endif
}

static bool cold_fan_stalled(const cl_guard *guard)
{
#if CL_WITH_TACHOMETER
    return guard->cold_tachometer.stalled;
#else
    (void)guard;
    return false;
#endif
}

static bool in_fault(const cl_sensor *sensor)
{
    return sensor->status >= CL_STATUS_FAULT; /* or latched */
}

/* The reason that switches off at once, or CL_REASON_AS_ASKED. */
static uint8_t forced_off(const cl_guard *guard)
{
    uint8_t reason = CL_REASON_AS_ASKED;

    if (guard->tripped) {
        reason = CL_REASON_TRIP;
    } else if (in_fault(&guard->control) || in_fault(&guard->hot)) {
        reason = CL_REASON_SENSOR_FAULT;
    } else if (hot_fan_stalled(guard)) {
        reason = CL_REASON_FAN;
    } else if ((guard->control.status == CL_STATUS_WAITING)
               || (guard->hot.status == CL_STATUS_WAITING)) {
        reason = CL_REASON_FIRST_READING;
    } else if (guard->low_battery) {
        reason = CL_REASON_LOW_BATTERY;
    } else {
        /* nothing forces it */
    }
    return reason;
}

void cl_guard_tick(const cl_protection_settings *settings, cl_guard *guard,
                   const coldloop_inputs *in)
{
    bool free_to_run;

    guard->air_c100 = cl_read_sensor(&settings->control, &guard->control, in->control_code);
    guard->hot_c100 = cl_read_sensor(&settings->hot, &guard->hot, in->hot_code);
    guard->cold_c100 = cl_read_sensor(&settings->cold, &guard->cold, in->cold_code);
    watch_hot_sink(settings, guard);
    watch_battery(settings, guard, in->supply_mv);
#if CL_WITH_TACHOMETER
    watch_fans(settings, guard, in);
#endif
    guard->forced = forced_off(guard);
    free_to_run = guard->forced == CL_REASON_AS_ASKED;
    cl_advance_defrost(&settings->defrost, &guard->defrost, guard->air_c100, guard->cold_c100,
                       free_to_run, guard->final_permille);
    if (!free_to_run) {
        guard->defrost.reverse_permille = 0; /* nothing flows in a trip or a fault */
    }
    guard->frozen = (!free_to_run) || (guard->defrost.phase != CL_PHASE_RUN);
    guard->alarm = (guard->forced == CL_REASON_TRIP) || (guard->forced == CL_REASON_SENSOR_FAULT)
                   || (guard->forced == CL_REASON_FAN);
    guard->warning = guard->low_battery || in_fault(&guard->cold) || cold_fan_stalled(guard);
}

uint8_t cl_schedule(const cl_protection_settings *settings, cl_guard *guard)
{
    uint8_t due;

    if (guard->frozen) {
        /* The period stands still, so that the first free tick steps at once. */
        guard->period_count = 0U;
        guard->sum_permille = 0;
        guard->sum_ticks = 0U;
        guard->demand_permille = 0;
        due = CL_DUE_FREEZE;
    } else if (guard->period_count > 0U) {
        guard->period_count--;
        due = CL_DUE_NOTHING;
    } else {
        guard->period_count = (uint16_t)(CL_READ_U16(&settings->period_ticks) - 1U);
        due = (uint8_t)((guard->sum_ticks > 0U) ? CL_DUE_TRACK_AND_STEP : CL_DUE_STEP);
    }
    return due;
}

int16_t cl_take_mean(cl_guard *guard)
{
    const int32_t mean = cl_div_round(guard->sum_permille, (int32_t)guard->sum_ticks);

    guard->sum_permille = 0;
    guard->sum_ticks = 0U;
    return (int16_t)mean;
}

/* The largest duty the hot sink allows [1/1000]. */
static int16_t fold_back_cap(const cl_protection_settings *settings, const cl_guard *guard)
{
    int16_t cap = CL_FULL_DUTY;

    if (guard->hot_c100 == CL_NO_SENSOR) {
        /* nothing is known, nothing is folded */
    } else if (CL_READ_U16(&settings->switch_only) == 1U) {
        if (guard->folded) {
            cap = 0;
        }
    } else {
        const int16_t start = CL_READ_I16(&settings->fold_start_c100);
        const int16_t full = CL_READ_I16(&settings->fold_full_c100);
        const int32_t above = (int32_t)cl_clamp16(guard->hot_c100, start, full) - start;

        cap -= (int16_t)cl_div_round(above * FOLD_BACK_FALL, (int32_t)full - start);
    }
    return cap;
}

/* Apply defrost, fold-back and duty limit; note which one set the value. */
static int16_t cap_duty(const cl_protection_settings *settings, cl_guard *guard, int16_t cap)
{
    const int16_t most = cl_read_permille(&settings->duty_limit_permille);
    int16_t out = cl_clamp16(guard->demand_permille, 0, CL_FULL_DUTY);

    if (guard->defrost.phase == CL_PHASE_MELT) {
        guard->reason = CL_REASON_MELT;
        out = 0;
    } else if (guard->defrost.phase == CL_PHASE_DRIP) {
        guard->reason = CL_REASON_DRIP;
        out = 0;
    } else if ((out > cap) && (cap <= most)) {
        guard->reason = CL_REASON_FOLD_BACK;
        out = cap;
    } else if (out > most) {
        guard->reason = CL_REASON_DUTY_LIMIT;
        out = most;
    } else {
        /* as asked */
    }
    return out;
}

/* Hold the change since the last tick within the slew limit. */
static int16_t slew(const cl_protection_settings *settings, cl_guard *guard, int16_t wanted)
{
    const int16_t step = cl_read_permille(&settings->slew_permille_per_tick);
    const int16_t before = guard->final_permille;
    const int16_t out = cl_clamp16(wanted, (int16_t)(before - step), (int16_t)(before + step));

    if (out != wanted) {
        guard->reason = CL_REASON_SLEW;
    }
    return out;
}

/* Hold on or off until its minimum time is over; never on above most, 0 in a defrost. */
static int16_t minimum_times(const cl_protection_settings *settings, cl_guard *guard,
                             int16_t wanted, int16_t most)
{
    const int16_t before = guard->final_permille;
    int16_t out = wanted;

    if ((wanted == 0) && (before > 0) && (most > 0)
        && (guard->on_ticks < CL_READ_U16(&settings->min_on_ticks))) {
        guard->reason = CL_REASON_MIN_ON;
        out = cl_clamp16(before, 0, most);
    } else if ((wanted > 0) && (before == 0)
               && (guard->off_ticks < CL_READ_U16(&settings->min_off_ticks))) {
        guard->reason = CL_REASON_MIN_OFF;
        out = 0;
    } else {
        /* no time to wait for */
    }
    return out;
}

/* Note the output: on and off times, and the mean for the anti-windup. */
static void book(cl_guard *guard, int16_t out)
{
    guard->final_permille = out;
    if (out > 0) {
        guard->on_ticks = cl_count(guard->on_ticks);
        guard->off_ticks = 0U;
    } else {
        guard->off_ticks = cl_count(guard->off_ticks);
        guard->on_ticks = 0U;
    }
    guard->sum_permille = cl_add_sat(guard->sum_permille, out);
    guard->sum_ticks = cl_count(guard->sum_ticks);
}

/* Whether the hot sink is above the start of fold-back, or 5 K below while the fan runs,
 * whatever heats it: a switch that is stuck on does so while nothing is asked for. */
static bool hot_sink_hot(const cl_protection_settings *settings, const cl_guard *guard)
{
    int32_t limit = CL_READ_I16(&settings->fold_start_c100);

    if (guard->hot_fan) {
        limit -= HOT_FAN_HYSTERESIS;
    }
    return (guard->hot_c100 != CL_NO_SENSOR) && (guard->hot_c100 > limit);
}

/* Set both fans from the output, the hot sink, the defrost phase and the alarms. */
static void set_fans(const cl_protection_settings *settings, cl_guard *guard)
{
    const bool on = guard->final_permille > 0;
    const bool reversed = guard->defrost.reverse_permille > 0;
    const uint8_t phase = guard->defrost.phase;

    /* Off ticks already count this one, so the run-on lasts exactly its ticks.  It also runs
     * after a reset: the sink may still be hot.  Reversed, the room's warmth is pumped. */
    guard->hot_fan = on || guard->alarm || reversed || hot_sink_hot(settings, guard)
                     || (guard->off_ticks <= CL_READ_U16(&settings->hot_fan_run_on_ticks));
    if (reversed || (phase == CL_PHASE_DRIP) || (guard->forced == CL_REASON_LOW_BATTERY)) {
        guard->cold_fan = false;
    } else if ((phase == CL_PHASE_RUN) && (!on)
               && (CL_READ_U16(&settings->cold_fan_with_module) == 1U)) {
        guard->cold_fan = false;
    } else {
        guard->cold_fan = true;
    }
}

void cl_limit(const cl_protection_settings *settings, cl_guard *guard)
{
    int16_t out = 0;

    guard->reason = guard->forced;
    if (guard->forced == CL_REASON_AS_ASKED) {
        const int16_t cap = fold_back_cap(settings, guard);
        int16_t most = cl_clamp16(cap, 0, cl_read_permille(&settings->duty_limit_permille));
        uint8_t why;

        out = cap_duty(settings, guard, cap);
        why = guard->reason;
        if (why == CL_REASON_AS_ASKED) {
            why = CL_REASON_FOLD_BACK; /* the one limit that can fall below an output given */
        }
        if (guard->defrost.phase != CL_PHASE_RUN) {
            most = 0;
        }
        out = slew(settings, guard, out);
        out = minimum_times(settings, guard, out, most);
        /* Slew and minimum on-time rank below what set most: they may not hold above it. */
        if (out > most) {
            out = most;
            guard->reason = why;
        }
    }
    book(guard, out);
    set_fans(settings, guard);
}
