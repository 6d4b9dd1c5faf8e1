#include "status_line.h"

/* Letters as numbers: the character set of a serial line is fixed, that of a compiler is not. */
#define SPACE 0x20U
#define LINE_END 0x0AU
#define MINUS 0x2DU
#define POINT 0x2EU
#define EQUALS 0x3DU
#define ZERO 0x30U
#define LETTER_A 0x41U

static void put(cl_status_line *line, uint8_t letter)
{
    if (line->length < CL_PART_LENGTH) {
        line->text[line->length] = letter;
        line->length++;
    }
}

static void put_digit(cl_status_line *line, uint8_t value)
{
    if (value < 10U) {
        put(line, (uint8_t)(ZERO + value));
    } else {
        put(line, (uint8_t)(LETTER_A + value - 10U));
    }
}

static void put_hex8(cl_status_line *line, uint8_t value)
{
    put_digit(line, (uint8_t)(value / 16U));
    put_digit(line, (uint8_t)(value % 16U));
}

static void put_hex16(cl_status_line *line, uint16_t value)
{
    put_hex8(line, (uint8_t)(value / 256U));
    put_hex8(line, (uint8_t)(value % 256U));
}

/* A number without leading zeros, but with at least so many digits. */
static void put_number(cl_status_line *line, uint16_t value, uint8_t least)
{
    uint16_t unit = 10000U;
    uint16_t rest = value;
    uint8_t place;

    for (place = 5U; place > 0U; place--) {
        const uint16_t digit = (uint16_t)(rest / unit);

        rest = (uint16_t)(rest - (digit * unit));
        if ((value >= unit) || (place <= least)) {
            put_digit(line, (uint8_t)digit);
        }
        unit = (uint16_t)(unit / 10U);
    }
}

/* A reading in deg C with two decimals. */
static void put_reading(cl_status_line *line, int16_t c100)
{
    if (c100 == CL_NO_SENSOR) {
        put(line, MINUS);
    } else {
        uint16_t magnitude = (uint16_t)c100;

        if (c100 < 0) {
            put(line, MINUS);
            magnitude = (uint16_t)(0U - magnitude);
        }
        put_number(line, (uint16_t)(magnitude / 100U), 1U);
        put(line, POINT);
        put_number(line, (uint16_t)(magnitude % 100U), 2U);
    }
}

static void put_flag(cl_status_line *line, bool flag)
{
    put_digit(line, flag ? 1U : 0U);
}

/* Two bytes of the settings, and where they lie. */
static void put_settings(cl_status_line *line)
{
    const uint8_t *settings = (const uint8_t *)&cl_settings;
    const uint16_t low = CL_READ_U8(&settings[line->at]);
    const uint16_t high = CL_READ_U8(&settings[line->at + 1U]);

    put_hex16(line, line->at);
    put(line, EQUALS);
    put_hex16(line, (uint16_t)(low | (uint16_t)(high << 8U)));
    line->at = (uint16_t)(line->at + 2U);
    if (line->at >= CL_SETTINGS_BYTES) {
        line->at = 0U;
    }
}

void cl_start_status(cl_status_line *line)
{
    line->at = 0U;
    line->part = 0U;
    line->length = 0U;
    line->sent = 0U;
}

static void put_duty(cl_status_line *line, const coldloop_outputs *out)
{
    if (out->reverse_permille > 0U) {
        put(line, LETTER_A + 0x21U); /* b */
        put_number(line, out->reverse_permille, 1U);
    } else {
        put(line, LETTER_A + 0x23U); /* d */
        put_number(line, out->duty_permille, 1U);
    }
}

void cl_write_status(cl_status_line *line, const coldloop *c, const coldloop_outputs *out)
{
    /* s r a h c - m f l k p; the duty puts its own. */
    static const uint8_t letters[CL_STATUS_PARTS] CL_FLASH = {
        0x73U, 0x72U, 0x61U, 0x68U, 0x63U, 0U, 0x6DU, 0x66U, 0x6CU, 0x6BU, 0x70U};
    const uint8_t letter = CL_READ_U8(&letters[line->part]);

    line->length = 0U;
    line->sent = 0U;
    if (letter != 0U) {
        put(line, letter);
    }
    switch (line->part) {
    case 0U:
        put_number(line, out->state, 1U);
        break;
    case 1U:
        put_number(line, out->reason, 1U);
        break;
    case 2U:
        put_reading(line, c->guard.air_c100);
        break;
    case 3U:
        put_reading(line, c->guard.hot_c100);
        break;
    case 4U:
        put_reading(line, c->guard.cold_c100);
        break;
    case 5U:
        put_duty(line, out);
        break;
    case 6U:
        put_flag(line, out->module_on);
        break;
    case 7U:
        put_flag(line, out->hot_fan);
        put_flag(line, out->cold_fan);
        break;
    case 8U:
        put_flag(line, out->alarm);
        put_flag(line, out->warning);
        break;
    case 9U:
        put_hex16(line, c->check.last);
        break;
    default:
        put_settings(line);
        break;
    }
    line->part++;
    if (line->part >= CL_STATUS_PARTS) {
        line->part = 0U;
        put(line, LINE_END);
    } else {
        put(line, SPACE);
    }
}
