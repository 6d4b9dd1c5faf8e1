#include "coldloop_controller.h"

/* Most of what a start means is zero: every count, every flag, every integral.  One loop
 * takes a third of the flash that setting each by itself would. */
static void clear(coldloop *c)
{
    uint8_t *bytes = (uint8_t *)c;
    uint16_t left;

    for (left = (uint16_t)sizeof *c; left > 0U; left--) {
        bytes[left - 1U] = 0U;
    }
}

void coldloop_start(coldloop *c)
{
    clear(c);
    cl_start_guard(&cl_settings.protection, &c->guard);
    cl_start_law(&cl_settings.law, &c->law);
    cl_start_settings_check(&c->check);
}

/* The order of calls of one tick. */
static void run(coldloop *c, const coldloop_inputs *in)
{
    const cl_protection_settings *settings = &cl_settings.protection;
    const cl_law_settings *law = &cl_settings.law;
    cl_guard *guard = &c->guard;
    uint8_t due;

    cl_guard_tick(settings, guard, in);
    cl_hear_law(law, &c->law, in);
    due = cl_schedule(settings, guard);
    if (due == CL_DUE_FREEZE) {
        cl_track_law(law, &c->law, 0, true);
    } else if (due != CL_DUE_NOTHING) {
        const int16_t given = cl_take_mean(guard);

        if (due == CL_DUE_TRACK_AND_STEP) {
            cl_track_law(law, &c->law, given, false);
        }
        cl_observe_law(law, &c->law, guard->hot_c100, guard->cold_c100);
        guard->demand_permille = cl_step_law(law, &c->law, guard->air_c100);
    } else {
        /* the last demand stands */
    }
    cl_limit(settings, guard);
#if CL_WITH_WINDOW
    (void)cl_advance_window(&settings->window, &guard->window, guard->final_permille,
                            guard->frozen);
#endif
}

static uint8_t state_of(const cl_guard *guard)
{
    /* By reason, from the drip on; below it the duty tells. */
    static const uint8_t states[CL_REASON_FAN - CL_REASON_DRIP + 1U] CL_FLASH = {
        CL_STATE_DRIPPING, CL_STATE_MELTING, CL_STATE_LOW_BATTERY, CL_STATE_NO_READING,
        CL_STATE_FAULT,    CL_STATE_TRIPPED, CL_STATE_FAULT,       CL_STATE_FAULT};
    uint8_t state;

    if (guard->reason >= CL_REASON_DRIP) {
        state = CL_READ_U8(&states[guard->reason - CL_REASON_DRIP]);
    } else {
        state = (guard->final_permille > 0) ? CL_STATE_COOLING : CL_STATE_IDLE;
    }
    return state;
}

/* Safe state: module off, hot fan on, alarm.  The settings that would say more are damaged. */
static void stop(coldloop_outputs *out, uint8_t reason)
{
    out->duty_permille = 0U;
    out->reverse_permille = 0U;
    out->module_on = false;
    out->hot_fan = true;
    out->cold_fan = true;
    out->alarm = true;
    out->warning = false;
    out->state = CL_STATE_FAULT;
    out->reason = reason;
}

void coldloop_tick(coldloop *c, const coldloop_inputs *in, coldloop_outputs *out)
{
    if (cl_settings_damaged(&c->check)) {
        stop(out, CL_REASON_SETTINGS);
    } else {
        const cl_guard *guard = &c->guard;

        run(c, in);
        out->duty_permille = (uint16_t)guard->final_permille;
        out->reverse_permille = (uint16_t)guard->defrost.reverse_permille;
#if CL_WITH_WINDOW
        out->module_on = guard->window.on;
#else
        out->module_on = guard->final_permille > 0;
#endif
        out->hot_fan = guard->hot_fan;
        out->cold_fan = guard->cold_fan;
        out->alarm = guard->alarm;
        out->warning = guard->warning;
        out->state = state_of(guard);
        out->reason = guard->reason;
    }
}
