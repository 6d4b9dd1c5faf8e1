/* What goes into the controller and what comes out, once a tick. */
#ifndef COLDLOOP_CONTROLLER_IO_H
#define COLDLOOP_CONTROLLER_IO_H

#include <stdbool.h>
#include <stdint.h>

/* coldloop_outputs.reason: why the output is what it is */
#define CL_REASON_AS_ASKED 0U
#define CL_REASON_MIN_ON 1U
#define CL_REASON_MIN_OFF 2U
#define CL_REASON_SLEW 3U
#define CL_REASON_DUTY_LIMIT 4U
#define CL_REASON_FOLD_BACK 5U
#define CL_REASON_DRIP 6U
#define CL_REASON_MELT 7U
#define CL_REASON_LOW_BATTERY 8U
#define CL_REASON_FIRST_READING 9U
#define CL_REASON_SENSOR_FAULT 10U
#define CL_REASON_TRIP 11U
#define CL_REASON_SETTINGS 12U /* settings damaged: off, latched until a reset */
#define CL_REASON_FAN 13U      /* the hot fan stands still */

/* coldloop_outputs.state */
#define CL_STATE_IDLE 0U
#define CL_STATE_COOLING 1U
#define CL_STATE_MELTING 2U
#define CL_STATE_DRIPPING 3U
#define CL_STATE_LOW_BATTERY 4U
#define CL_STATE_NO_READING 5U
#define CL_STATE_FAULT 6U
#define CL_STATE_TRIPPED 7U

/* Codes of one tick.  A sensor that is not fitted may have any code. */
typedef struct coldloop_inputs {
    int32_t control_code; /* converter's code, or signed 1/16 deg C of a digital sensor [-] */
    int32_t hot_code;     /* hot sink [-] */
    int32_t cold_code;    /* cold sink [-] */
    int32_t ambient_code; /* room; only a controller with feed-forward listens [-] */
    int32_t supply_mv;    /* supply, or CL_NO_SENSOR where it is not measured [mV] */
    uint16_t hot_fan_pulses;  /* of its tachometer since the last tick [-] */
    uint16_t cold_fan_pulses; /* of its tachometer since the last tick [-] */
} coldloop_inputs;

typedef struct coldloop_outputs {
    uint16_t duty_permille;    /* duty after every limiter [1/1000] */
    uint16_t reverse_permille; /* duty with the current reversed, in a defrost [1/1000] */
    bool module_on;            /* what a relay or a slow window's switch gets */
    bool hot_fan;
    bool cold_fan;
    bool alarm;
    bool warning;
    uint8_t state;  /* CL_STATE_ */
    uint8_t reason; /* CL_REASON_ */
} coldloop_outputs;

#endif
