/* From a sensor's raw code to 1/100 deg C, and whether to believe it.
 *
 * A code is not believed when it lies in the first or last 2 % of the converter's span
 * (short or open wire) or outside -55 to 125 deg C of a digital sensor, when it is the
 * digital sensor's power-up value and the last reading was not near it, or when the
 * reading moved faster than the settings allow.  A bad code acts after it has lasted;
 * until then the last good reading holds.  Faults that keep coming back latch.
 */
#ifndef CL_READINGS_H
#define CL_READINGS_H

#include <stdint.h>

#include "fixed_point.h"

/* cl_sensor_settings.kind */
#define CL_SENSOR_ABSENT 0U
#define CL_SENSOR_THERMISTOR 1U
#define CL_SENSOR_DIGITAL 2U

/* cl_sensor.status */
#define CL_STATUS_ABSENT 0U
#define CL_STATUS_WAITING 1U
#define CL_STATUS_OK 2U
#define CL_STATUS_FAULT 3U
#define CL_STATUS_LATCHED 4U

/* Widths in all settings are 32 bits first, then 16: no padding, so that the checksum is
 * the same for every compiler of a little-endian processor. */
typedef struct cl_sensor_settings {
    int32_t code_low;           /* lowest believed code [-] */
    int32_t code_high;          /* highest believed code [-] */
    uint16_t kind;              /* CL_SENSOR_ */
    uint16_t adc_bits;          /* of the converter, 8 to 16 [bit] */
    int16_t offset_k100;        /* added to every reading [1/100 K] */
    int16_t jump_k100;          /* largest believed change in a tick [1/100 K] */
    int16_t jump_k100_per_tick; /* more for each further tick [1/100 K] */
    uint16_t fault_ticks;       /* how long a bad code must last [ticks] */
    uint16_t recover_ticks;     /* how long good ones must last after it [ticks] */
    uint16_t latch_ticks;       /* memory for faults, at most 65534 [ticks] */
    uint16_t latch_count;       /* faults that latch [-] */
    uint16_t table;             /* where its thermistor's table begins in cl_settings.tables [-] */
} cl_sensor_settings;

/* Ticks are held at 65535: further than any limit they are compared with. */
typedef struct cl_sensor {
    int16_t good_c100;    /* last believed reading [1/100 deg C] */
    uint16_t age;         /* since then [ticks] */
    uint16_t good_ticks;  /* good codes in a row [ticks] */
    uint16_t faults;      /* that count towards the latch [-] */
    uint16_t since_fault; /* since the last one began [ticks] */
    uint8_t status;       /* CL_STATUS_ */
} cl_sensor;

/* Put one sensor that is zero to its start: waiting for the first good code. */
void cl_start_sensor(const cl_sensor_settings *settings, cl_sensor *sensor);

/* Take one tick's code; return the last good reading, CL_NO_SENSOR when absent, waiting or
 * in fault [1/100 deg C]. */
int16_t cl_read_sensor(const cl_sensor_settings *settings, cl_sensor *sensor, int32_t code);

#endif
