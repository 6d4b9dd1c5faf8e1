/* Hardware functions that do nothing: with them an export can be built and its size seen. */
#include "hardware.h"

#include <avr/io.h>

#define port GPIOR0 /* a register, so that the compiler leaves nothing out and no RAM is taken */

void hardware_start(void)
{
    port = 0U;
}

uint32_t hardware_ticks(void)
{
    return port;
}

void hardware_read(coldloop_inputs *in)
{
    in->control_code = port;
}

void hardware_set_module(uint16_t duty_permille, bool module_on, uint16_t reverse_permille)
{
    port = (uint8_t)(duty_permille + reverse_permille + (module_on ? 1U : 0U));
}

void hardware_set_fans(bool hot_fan, bool cold_fan)
{
    port = (hot_fan || cold_fan) ? 1U : 0U;
}

void hardware_set_alarm(bool alarm, bool warning)
{
    port = (alarm || warning) ? 1U : 0U;
}

bool hardware_can_send(void)
{
    return port != 0U;
}

void hardware_send(uint8_t byte)
{
    port = byte;
}

void hardware_kick_watchdog(void)
{
    port = 0U;
}
