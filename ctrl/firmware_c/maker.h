/*
 * What a maker's own controller looks like to coldloop: two functions, whole numbers.
 *
 *     coldloop simulate CONFIG --controller-c FILE.c
 *
 * compiles FILE.c with this header on its include path (-std=c99 -O1 -Wall), runs it in a
 * process of its own and calls controller_tick() once a base tick (controller.tick_s of the
 * config, 1 s by default). It is the whole firmware: none of coldloop's protections stand
 * behind it unless --protected is given. The same two functions can be called from the main
 * loop of a board.
 *
 * A sensor that is not fitted reads CONTROLLER_ABSENT. A short or a broken wire shows in the
 * raw code, at an end of the converter's range: deciding what to do then is the controller's
 * part.
 */
#ifndef COLDLOOP_MAKER_H
#define COLDLOOP_MAKER_H

#include <stdbool.h>
#include <stdint.h>

#define CONTROLLER_ABSENT (-32768)
#define CONTROLLER_NO_TACH 255U

typedef struct controller_in {
    uint16_t elapsed_ms;  /* since the last call [ms] */
    int16_t control_c100; /* control sensor [1/100 deg C] */
    int16_t hot_c100;     /* hot sink [1/100 deg C] */
    int16_t cold_c100;    /* cold sink [1/100 deg C] */
    int16_t ambient_c100; /* room [1/100 deg C] */
    int32_t control_code; /* the same as raw codes: of the converter, or signed 1/16 deg C */
    int32_t hot_code;
    int32_t cold_code;
    int32_t ambient_code;
    uint32_t supply_mv;  /* at the supply's terminals [mV] */
    uint8_t hot_pulses;  /* of the hot fan's tachometer since the last call */
    uint8_t cold_pulses; /* of the cold fan's; CONTROLLER_NO_TACH where not wired */
} controller_in;

/* All zero and false before each call. */
typedef struct controller_out {
    int16_t duty_permille;    /* 0 to 1000, cooling; 0 or 1000 on a relay or a slow switch */
    int16_t reverse_permille; /* 0 to 1000, heating; only where duty_permille is 0 */
    bool hot_fan;             /* for a fan that the firmware switches */
    bool cold_fan;
    bool alarm;
    uint8_t state;  /* any numbers of your own, shown in the record of a board */
    uint8_t reason;
} controller_out;

/* Power-up, and power-up again after a brown-out. */
void controller_reset(void);

void controller_tick(const controller_in *in, controller_out *out);

#endif
