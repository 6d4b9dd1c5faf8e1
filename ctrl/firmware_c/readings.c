#include "readings.h"

#include "coldloop_settings.h"

#include <stdbool.h>

#define COLDEST_C100 (-27315)   /* absolute zero [1/100 deg C] */
#define DIGITAL_BITS 4U         /* a digital sensor's steps are 1/16 deg C */
#define POWER_UP_CODE 1360      /* of a digital sensor: 85.00 deg C, no measurement */
#define NEAR_POWER_UP_LOW 8000  /* a last reading between these makes 85 deg C true */
#define NEAR_POWER_UP_HIGH 9000 /* [1/100 deg C] */

static bool is_digital(const cl_sensor_settings *settings)
{
#if CL_WITH_DIGITAL
    return CL_READ_U16(&settings->kind) == CL_SENSOR_DIGITAL;
#else
    (void)settings;
    return false;
#endif
}

#if CL_WITH_THERMISTOR
/* A thermistor's table; damaged settings do not lead beyond them all. */
static const int16_t *table_of(const cl_sensor_settings *settings)
{
    uint16_t at = CL_READ_U16(&settings->table);

    if (at > (CL_TABLE_WORDS - CL_TABLE_POINTS)) {
        at = 0U;
    }
    return &cl_settings.tables[at];
}
#endif

static int16_t linearise(const cl_sensor_settings *settings, int32_t code)
{
    int32_t value;

#if CL_WITH_THERMISTOR
    value = cl_interpolate(table_of(settings), code, (uint8_t)CL_READ_U16(&settings->adc_bits));
#else
    value = 0;
#endif
#if CL_WITH_DIGITAL
    if (is_digital(settings)) {
        value = cl_mul_shift(cl_clamp(code, INT16_MIN, INT16_MAX), 100, DIGITAL_BITS);
    }
#endif
    value += CL_READ_I16(&settings->offset_k100);
    return (int16_t)cl_clamp(value, COLDEST_C100, INT16_MAX);
}

static bool has_jumped(const cl_sensor_settings *settings, const cl_sensor *sensor, int16_t value)
{
    bool jumped = false;

    if (sensor->good_c100 != CL_NO_SENSOR) {
        const int32_t change = (int32_t)value - (int32_t)sensor->good_c100;
        /* At most 32768 times 65534, and 32768 more, which fits. */
        const int32_t further =
            (int32_t)CL_READ_I16(&settings->jump_k100_per_tick) * ((int32_t)sensor->age - 1);
        const int32_t allowed = CL_READ_I16(&settings->jump_k100) + further;

        jumped = (change > allowed) || (change < -allowed);
    }
    return jumped;
}

/* Whether a digital sensor gives its power-up code, and was not near it before. */
static bool is_power_up(const cl_sensor_settings *settings, const cl_sensor *sensor,
                        int32_t code)
{
    return is_digital(settings) && (code == POWER_UP_CODE)
           && ((sensor->good_c100 < NEAR_POWER_UP_LOW)
               || (sensor->good_c100 > NEAR_POWER_UP_HIGH));
}

/* Whether a code is believed: within its span (an open wire and a short are not), not the
 * power-up code, and not too far from the last one. */
static bool is_believed(const cl_sensor_settings *settings, const cl_sensor *sensor,
                        int32_t code, int16_t value)
{
    return (code >= CL_READ_I32(&settings->code_low))
           && (code <= CL_READ_I32(&settings->code_high))
           && (!is_power_up(settings, sensor, code)) && (!has_jumped(settings, sensor, value));
}

/* Count a bad code; begin a fault when it has lasted, latch when faults recur. */
static void note_bad(const cl_sensor_settings *settings, cl_sensor *sensor)
{
    const bool trusted = (sensor->status == CL_STATUS_OK) || (sensor->status == CL_STATUS_WAITING);

    sensor->good_ticks = 0U;
    if (trusted && (sensor->age >= CL_READ_U16(&settings->fault_ticks))) {
        if (sensor->since_fault > CL_READ_U16(&settings->latch_ticks)) {
            sensor->faults = 0U;
        }
        sensor->faults = cl_count(sensor->faults);
        sensor->since_fault = 0U;
        sensor->status = CL_STATUS_FAULT;
        if (sensor->faults >= CL_READ_U16(&settings->latch_count)) {
            sensor->status = CL_STATUS_LATCHED;
        }
    }
}

/* Take a believed reading; end a fault when enough of them came in a row. */
static void note_good(const cl_sensor_settings *settings, cl_sensor *sensor, int16_t value)
{
    sensor->good_c100 = value;
    sensor->age = 0U;
    sensor->good_ticks = cl_count(sensor->good_ticks);
    if (sensor->status == CL_STATUS_WAITING) {
        sensor->status = CL_STATUS_OK;
    } else if ((sensor->status == CL_STATUS_FAULT)
               && (sensor->good_ticks >= CL_READ_U16(&settings->recover_ticks))) {
        sensor->status = CL_STATUS_OK;
    } else {
        /* as before */
    }
}

void cl_start_sensor(const cl_sensor_settings *settings, cl_sensor *sensor)
{
    sensor->status = CL_STATUS_WAITING;
    if (CL_READ_U16(&settings->kind) == CL_SENSOR_ABSENT) {
        sensor->status = CL_STATUS_ABSENT;
    }
    sensor->good_c100 = CL_NO_SENSOR;
}

int16_t cl_read_sensor(const cl_sensor_settings *settings, cl_sensor *sensor, int32_t code)
{
    int16_t reading = CL_NO_SENSOR;

    if (CL_READ_U16(&settings->kind) != CL_SENSOR_ABSENT) {
        int16_t value;

        sensor->age = cl_count(sensor->age);
        sensor->since_fault = cl_count(sensor->since_fault);
        value = linearise(settings, code);
        if (is_believed(settings, sensor, code, value)) {
            note_good(settings, sensor, value);
        } else {
            note_bad(settings, sensor);
        }
        if (sensor->status == CL_STATUS_OK) {
            reading = sensor->good_c100;
        }
    }
    return reading;
}
