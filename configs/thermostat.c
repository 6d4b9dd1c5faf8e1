/*
 * A worked example of a maker's own controller: a thermostat with a band, a minimum off-time,
 * a limit of the hot sink that latches, and a sensor check. All values are invented for the
 * shipped 12 V cabinets; nothing here is a safety device: fit a fuse at the supply and a
 * thermal cut-out on the hot sink.
 *
 *     coldloop simulate galley_larder --controller-c thermostat.c
 */
#include "maker.h"

#define ON_ABOVE_C100 850       /* cool above 8.5 deg C */
#define OFF_BELOW_C100 750      /* stop below 7.5 deg C */
#define SHORTEST_OFF_MS 180000U /* three minutes, also after power-up */
#define HOT_LIMIT_C100 7000     /* hot sink: stop for good above 70 deg C */
#define FAN_RUN_ON_MS 180000U   /* hot fan after switching off */
#define LOWEST_C100 (-3000)     /* what a broken or shorted sensor would read is outside */
#define HIGHEST_C100 7500
#define HOTTEST_C100 12000 /* on the hot sink */

static bool cooling;
static bool tripped;
static uint32_t off_ms; /* since the module went off; stops counting at a day */

static bool is_plausible(int16_t reading_c100)
{
    return (reading_c100 > LOWEST_C100) && (reading_c100 < HIGHEST_C100);
}

/* The hot sink may be hotter than the limit; only what no sink is counts as a broken sensor. */
static bool is_plausible_hot(int16_t reading_c100)
{
    return (reading_c100 > LOWEST_C100) && (reading_c100 < HOTTEST_C100);
}

void controller_reset(void)
{
    cooling = false;
    tripped = false;
    off_ms = 0U; /* a brown-out may have come a second ago: wait again */
}

void controller_tick(const controller_in *in, controller_out *out)
{
    const bool has_hot = in->hot_c100 != CONTROLLER_ABSENT;
    bool wanted = cooling;

    if (has_hot && (in->hot_c100 > HOT_LIMIT_C100)) {
        tripped = true;
    }
    if (!cooling && (off_ms < 86400000UL)) {
        off_ms += in->elapsed_ms;
    }
    if (in->control_c100 > ON_ABOVE_C100) {
        wanted = true;
    } else if (in->control_c100 < OFF_BELOW_C100) {
        wanted = false;
    }
    if (tripped || !is_plausible(in->control_c100)
        || (has_hot && !is_plausible_hot(in->hot_c100))) {
        wanted = false;
        out->alarm = true;
    }
    if (!cooling && (off_ms < SHORTEST_OFF_MS)) {
        wanted = false;
    }
    if (cooling && !wanted) {
        off_ms = 0U;
    }
    cooling = wanted;
    out->duty_permille = cooling ? 1000 : 0;
    out->hot_fan = cooling || tripped || out->alarm || (off_ms < FAN_RUN_ON_MS);
    out->cold_fan = true;
}
