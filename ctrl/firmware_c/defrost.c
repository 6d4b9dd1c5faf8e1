#include "defrost.h"

#include "defrost_demand.h"
#include "fixed_point.h"
#include "port.h"

void cl_start_defrost(cl_defrost *defrost)
{
    /* A phase's first tick is number 0, and cl_advance_defrost counts before it looks. */
    defrost->ticks = -1;
    defrost->since_start = -1;
}

#if CL_WITH_DEFROST

static void enter(cl_defrost *defrost, uint8_t phase)
{
    defrost->phase = phase;
    defrost->ticks = 0;
    defrost->held = 0U;
}

/* Whether the control reading forbids a defrost. */
static bool too_warm(const cl_defrost_settings *settings, int16_t control_c100)
{
    const int16_t abort_c100 = CL_READ_I16(&settings->abort_c100);

    return (abort_c100 != 0) && (abort_c100 != CL_NO_SENSOR) && (control_c100 != CL_NO_SENSOR)
           && (control_c100 >= abort_c100);
}

/* One tick of melting: watch the cold sink and the time. */
static void melt(const cl_defrost_settings *settings, cl_defrost *defrost, int16_t cold_c100)
{
    bool over = true;

    if ((cold_c100 != CL_NO_SENSOR) && (cold_c100 >= CL_READ_I16(&settings->end_c100))) {
        defrost->held = cl_count(defrost->held);
    } else {
        defrost->held = 0U;
    }
    if (defrost->held >= CL_READ_U16(&settings->hold_ticks)) {
        defrost->end = CL_END_WARM;
    } else if (defrost->ticks >= CL_READ_I32(&settings->longest_ticks)) {
        defrost->end = CL_END_TIME;
    } else {
        over = false;
    }
    if (over) {
        const bool drips = CL_READ_I32(&settings->drip_ticks) > 0;

        enter(defrost, (uint8_t)(drips ? CL_PHASE_DRIP : CL_PHASE_RUN));
    }
}

/* Whether a melt is due in this tick of running. */
static bool is_due(const cl_defrost_settings *settings, cl_defrost *defrost,
                        int16_t control_c100, int16_t cold_c100, int16_t duty_permille)
{
    const uint16_t kind = CL_READ_U16(&settings->kind);
    bool grown = false;
    bool due = false;

#if CL_WITH_DEMAND
    if (kind == CL_DEFROST_DEMAND) {
        grown = cl_has_grown(settings, defrost, control_c100, cold_c100, duty_permille);
    }
#else
    (void)control_c100;
    (void)cold_c100;
#endif
    if (defrost->since_start >= CL_READ_I32(&settings->interval_ticks)) {
        due = grown || (kind == CL_DEFROST_TIMED) || (kind == CL_DEFROST_REVERSED)
              || ((kind == CL_DEFROST_OFF_CYCLE) && (duty_permille == 0))
              || (defrost->since_start >= CL_READ_I32(&settings->latest_ticks));
    }
    return due;
}

#if CL_WITH_REVERSED
/* Set the duty the other way: only while melting, read, and below the end temperature. */
static void reverse(const cl_defrost_settings *settings, cl_defrost *defrost, int16_t cold_c100)
{
    int16_t level = 0;

    if ((CL_READ_U16(&settings->kind) == CL_DEFROST_REVERSED)
        && (defrost->phase == CL_PHASE_MELT)
        && (defrost->ticks >= CL_READ_I32(&settings->pause_ticks))
        && (cold_c100 != CL_NO_SENSOR) && (cold_c100 < CL_READ_I16(&settings->end_c100))) {
        level = (int16_t)(defrost->reverse_permille + cl_read_permille(&settings->ramp_permille));
        level = cl_clamp16(level, 0, cl_read_permille(&settings->reverse_permille));
    }
    defrost->reverse_permille = level;
}
#endif

/* One tick of a plan that there is. */
static void advance(const cl_defrost_settings *settings, cl_defrost *defrost,
                    int16_t control_c100, int16_t cold_c100, bool may_start,
                    int16_t duty_permille)
{
    const bool warm = too_warm(settings, control_c100);

    defrost->ticks = cl_add_sat(defrost->ticks, 1);
    defrost->since_start = cl_add_sat(defrost->since_start, 1);
    if (defrost->phase == CL_PHASE_RUN) {
        const bool due = is_due(settings, defrost, control_c100, cold_c100, duty_permille);

        if (may_start && (!warm) && due) {
            enter(defrost, CL_PHASE_MELT);
            defrost->since_start = 0;
        }
    } else if (warm) {
        /* Reversed: off first, before the current turns round. */
        const bool reversed = CL_READ_U16(&settings->kind) == CL_DEFROST_REVERSED;
        const bool drips = reversed && (defrost->phase == CL_PHASE_MELT);

        defrost->end = CL_END_ABORT;
        enter(defrost, (uint8_t)(drips ? CL_PHASE_DRIP : CL_PHASE_RUN));
    } else if (defrost->phase == CL_PHASE_MELT) {
        melt(settings, defrost, cold_c100);
    } else if (defrost->ticks >= CL_READ_I32(&settings->drip_ticks)) {
        enter(defrost, CL_PHASE_RUN);
    } else {
        /* still dripping */
    }
#if CL_WITH_REVERSED
    reverse(settings, defrost, cold_c100);
#endif
}

#endif

void cl_advance_defrost(const cl_defrost_settings *settings, cl_defrost *defrost,
                        int16_t control_c100, int16_t cold_c100, bool may_start,
                        int16_t duty_permille)
{
#if CL_WITH_DEFROST
    if (CL_READ_U16(&settings->kind) != CL_DEFROST_NONE) {
        advance(settings, defrost, control_c100, cold_c100, may_start, duty_permille);
    }
#else
    (void)settings;
    (void)defrost;
    (void)control_c100;
    (void)cold_c100;
    (void)may_start;
    (void)duty_permille;
#endif
}
