#include "coldloop_controller.h"
#include "hardware.h"
#if CL_WITH_STATUS
#include "status_line.h"
#endif
#include "tick_clock.h"

static coldloop controller;
#if CL_WITH_STATUS
static cl_status_line line;
#endif

/* Nothing measured: what hardware_read does not set stays so. */
static void clear(coldloop_inputs *in)
{
    in->control_code = CL_NO_SENSOR;
    in->hot_code = CL_NO_SENSOR;
    in->cold_code = CL_NO_SENSOR;
    in->ambient_code = CL_NO_SENSOR;
    in->supply_mv = CL_NO_SENSOR;
    in->hot_fan_pulses = 0U;
    in->cold_fan_pulses = 0U;
}

/* Read, decide, act. */
static void run_tick(coldloop_outputs *out, uint8_t ticks)
{
    coldloop_inputs in;
    coldloop *c = &controller;
    uint8_t left;

    CL_BY_POINTER(c);
    clear(&in);
    hardware_read(&in);
    for (left = ticks; left > 0U; left--) {
        coldloop_tick(c, &in, out);
    }
    hardware_set_module(out->duty_permille, out->module_on, out->reverse_permille);
    hardware_set_fans(out->hot_fan, out->cold_fan);
    hardware_set_alarm(out->alarm, out->warning);
}

#if CL_WITH_STATUS
/* One byte of the status line, where the serial line takes it. */
static void send_next(const coldloop_outputs *out)
{
    if (hardware_can_send()) {
        if (line.sent >= line.length) {
            cl_write_status(&line, &controller, out);
        }
        hardware_send(line.text[line.sent]);
        line.sent++;
    }
}
#endif

int main(void)
{
    static cl_tick_clock tick_clock;
    coldloop_outputs out;
#if CL_WITH_STATUS
    bool ran = false;
#endif

    /* A reset, a brown-out's too, starts here: module off, and off it stays for the minimum
     * off-time, whatever was before. */
    hardware_start();
    hardware_set_module(0U, false, 0U);
#if CL_WITH_STATUS
    cl_start_status(&line);
#endif
    coldloop_start(&controller);
    cl_start_clock(&tick_clock, hardware_ticks());
    for (;;) {
        const uint8_t due = cl_ticks_due(&tick_clock, hardware_ticks());

        if (due > 0U) {
            run_tick(&out, due);
#if CL_WITH_STATUS
            ran = true;
#endif
            /* Only a whole tick refreshes the watchdog: where ticks stop coming, it bites. */
            hardware_kick_watchdog();
        }
#if CL_WITH_STATUS
        if (ran) {
            send_next(&out);
        }
#endif
    }
}
