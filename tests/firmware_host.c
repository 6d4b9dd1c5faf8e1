/* The exported controller on a computer, driven over a pipe.
 *
 * Commands, each one letter and its data, little-endian:
 *   S settings, checksum (2 bytes)     take them and start
 *   R                                  reset: start again
 *   X at (2), mask (1)                 damage one byte of the settings
 *   T count (4), count codes           run ticks; answers count outputs
 *   A count (4), count (a, b, shift)   answers add, sub, mul_shift, div_round of each
 *   W count (4), count (4 each)        the clock at these times; answers ticks due, late
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "coldloop_controller.h"
#include "fixed_point.h"
#include "tick_clock.h"

coldloop_settings cl_settings;
uint16_t cl_settings_checksum;

typedef struct codes {
    int32_t of[5];
    uint16_t pulses[2];
} codes;

typedef struct answer {
    uint16_t duty, reverse;
    int16_t air, hot, cold, demand;
    uint8_t flag[8];
} answer;

static coldloop controller;

static void take(void *into, size_t bytes)
{
    if (fread(into, 1, bytes, stdin) != bytes) {
        exit(3);
    }
}

static void give(const void *from, size_t bytes)
{
    if (fwrite(from, 1, bytes, stdout) != bytes) {
        exit(4);
    }
}

static uint32_t take_count(void)
{
    uint32_t count;

    take(&count, sizeof count);
    return count;
}

static void run_tick(void)
{
    codes c;
    coldloop_inputs in;
    coldloop_outputs out;
    answer a;

    take(&c, sizeof c);
    in.control_code = c.of[0];
    in.hot_code = c.of[1];
    in.cold_code = c.of[2];
    in.supply_mv = c.of[3];
    in.ambient_code = c.of[4];
    in.hot_fan_pulses = c.pulses[0];
    in.cold_fan_pulses = c.pulses[1];
    coldloop_tick(&controller, &in, &out);
    a.duty = out.duty_permille;
    a.reverse = out.reverse_permille;
    a.air = controller.guard.air_c100;
    a.hot = controller.guard.hot_c100;
    a.cold = controller.guard.cold_c100;
    a.demand = controller.guard.demand_permille;
    a.flag[0] = (uint8_t)out.module_on;
    a.flag[1] = (uint8_t)out.hot_fan;
    a.flag[2] = (uint8_t)out.cold_fan;
    a.flag[3] = (uint8_t)out.alarm;
    a.flag[4] = (uint8_t)out.warning;
    a.flag[5] = out.state;
    a.flag[6] = out.reason;
    a.flag[7] = 0;
    give(&a, sizeof a);
}

static void run_arithmetic(void)
{
    int32_t in[3];
    int32_t out[4];

    take(in, sizeof in);
    out[0] = cl_add_sat(in[0], in[1]);
    out[1] = cl_sub_sat(in[0], in[1]);
    out[2] = cl_mul_shift(in[0], in[1], (uint8_t)in[2]);
    out[3] = cl_div_round(in[0], in[1]);
    give(out, sizeof out);
}

int main(void)
{
    int command;

    while ((command = getchar()) != EOF) {
        uint32_t count;

        if (command == 'S') {
            take(&cl_settings, sizeof cl_settings);
            take(&cl_settings_checksum, sizeof cl_settings_checksum);
            coldloop_start(&controller);
        } else if (command == 'R') {
            coldloop_start(&controller);
        } else if (command == 'X') {
            uint16_t at;
            uint8_t mask;

            take(&at, sizeof at);
            take(&mask, sizeof mask);
            ((uint8_t *)&cl_settings)[at] ^= mask;
        } else if (command == 'T') {
            for (count = take_count(); count > 0U; count--) {
                run_tick();
            }
        } else if (command == 'A') {
            for (count = take_count(); count > 0U; count--) {
                run_arithmetic();
            }
        } else if (command == 'W') {
            cl_tick_clock clock;

            cl_start_clock(&clock, take_count());
            for (count = take_count(); count > 0U; count--) {
                const uint32_t due = cl_ticks_due(&clock, take_count());
                const uint32_t late = clock.late;

                give(&due, sizeof due);
                give(&late, sizeof late);
            }
        } else {
            return 5;
        }
        fflush(stdout);
    }
    return 0;
}
