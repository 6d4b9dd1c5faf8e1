/*
 * Runs a maker's controller (maker.h) as a child process that speaks the link (link.h) on its
 * standard input and output. For the host only. What the controller itself prints goes to
 * standard error, so that it cannot disturb the link.
 */
#include "link.h"
#include "maker.h"

#include <string.h>
#include <sys/resource.h>
#include <unistd.h>

#ifdef __linux__
#include <signal.h>
#include <sys/prctl.h>
#endif

#define LONGEST_TICK_S 20U /* ends a hung controller whose parent has gone */

static void run(const link_tick *tick, link_command *command)
{
    controller_in in;
    controller_out out;
    memset(&out, 0, sizeof out);
    in.elapsed_ms = tick->elapsed_ms;
    in.control_c100 = tick->control_c100;
    in.hot_c100 = tick->hot_c100;
    in.cold_c100 = tick->cold_c100;
    in.ambient_c100 = tick->ambient_c100;
    in.control_code = tick->control_code;
    in.hot_code = tick->hot_code;
    in.cold_code = tick->cold_code;
    in.ambient_code = tick->ambient_code;
    in.supply_mv = tick->supply_mv;
    in.hot_pulses = tick->hot_pulses;
    in.cold_pulses = tick->cold_pulses;
    alarm(LONGEST_TICK_S);
    controller_tick(&in, &out);
    alarm(0U);
    command->duty_permille = (uint16_t)out.duty_permille;
    command->reverse_permille = (uint16_t)out.reverse_permille;
    command->bits = 0U;
    if (out.duty_permille > 0) {
        command->bits |= LINK_MODULE_ON;
    }
    if (out.hot_fan) {
        command->bits |= LINK_HOT_FAN;
    }
    if (out.cold_fan) {
        command->bits |= LINK_COLD_FAN;
    }
    if (out.alarm) {
        command->bits |= LINK_ALARM;
    }
    command->state = out.state;
    command->reason = out.reason;
}

static bool send_all(int to, const uint8_t *data, size_t count)
{
    while (count > 0U) {
        const ssize_t sent = write(to, data, count);
        if (sent <= 0) {
            return false;
        }
        data += sent;
        count -= (size_t)sent;
    }
    return true;
}

int main(void)
{
    static link_board board;
    uint8_t bytes[256];
    link_tick tick;
    link_command command;
    uint16_t tick_ms = 0U;
    const struct rlimit none = {0, 0};
    const int to = dup(STDOUT_FILENO);
    const int from = dup(STDIN_FILENO);

#ifdef __linux__
    prctl(PR_SET_PDEATHSIG, SIGKILL);
#endif
    setrlimit(RLIMIT_CORE, &none);
    if (to < 0 || from < 0 || dup2(STDERR_FILENO, STDOUT_FILENO) < 0) {
        return 1;
    }
    close(STDIN_FILENO);
    link_start(&board);
    for (;;) {
        ssize_t at;
        const ssize_t came = read(from, bytes, sizeof bytes);
        if (came <= 0) {
            return 0;
        }
        for (at = 0; at < came; at++) {
            link_event event;
            link_push(&board.decoder, bytes[at]);
            while ((event = link_serve(&board, &tick, &tick_ms)) != LINK_NOTHING) {
                if (event == LINK_RESET) {
                    alarm(LONGEST_TICK_S);
                    controller_reset();
                    alarm(0U);
                    link_ready(&board, 0U);
                } else if (event == LINK_RUN) {
                    run(&tick, &command);
                    link_answer(&board, &command);
                } else {
                    /* the last answer again */
                }
                if (!send_all(to, board.answer, board.answer_bytes)) {
                    return 0;
                }
            }
        }
    }
}
