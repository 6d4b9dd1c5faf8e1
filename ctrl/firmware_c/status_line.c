#include "status_line.h"

static void put(cl_status_line *line, char letter)
{
    if (line->length < CL_STATUS_LENGTH) {
        line->text[line->length] = (uint8_t)letter;
        line->length++;
    }
}

static void put_digit(cl_status_line *line, uint8_t value)
{
    static const char digits[16] = {'0', '1', '2', '3', '4', '5', '6', '7',
                                    '8', '9', 'A', 'B', 'C', 'D', 'E', 'F'};

    put(line, digits[value & 0x0FU]);
}

static void put_hex16(cl_status_line *line, uint16_t value)
{
    uint8_t shift = 16U;

    while (shift > 0U) {
        shift = (uint8_t)(shift - 4U);
        put_digit(line, (uint8_t)((value >> shift) & 0x0FU));
    }
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

/* A letter and a reading in deg C with two decimals. */
static void put_reading(cl_status_line *line, char letter, int16_t c100)
{
    put(line, ' ');
    put(line, letter);
    if (c100 == CL_NO_SENSOR) {
        put(line, '-');
    } else {
        uint16_t magnitude;

        if (c100 < 0) {
            put(line, '-');
            magnitude = (uint16_t)(-c100);
        } else {
            magnitude = (uint16_t)c100;
        }
        put_number(line, (uint16_t)(magnitude / 100U), 1U);
        put(line, '.');
        put_number(line, (uint16_t)(magnitude % 100U), 2U);
    }
}

static void put_flags(cl_status_line *line, char letter, bool first, bool second)
{
    put(line, ' ');
    put(line, letter);
    put(line, first ? '1' : '0');
    put(line, second ? '1' : '0');
}

/* Two bytes of the settings, and where they lie. */
static void put_settings(cl_status_line *line)
{
    const uint8_t *settings = (const uint8_t *)&cl_settings;
    const uint16_t low = CL_READ_U8(&settings[line->at]);
    const uint16_t high = CL_READ_U8(&settings[line->at + 1U]);

    put(line, ' ');
    put(line, 'p');
    put_hex16(line, line->at);
    put(line, '=');
    put_hex16(line, (uint16_t)(low | (uint16_t)(high << 8U)));
    line->at = (uint16_t)(line->at + 2U);
    if (line->at >= CL_SETTINGS_BYTES) {
        line->at = 0U;
    }
}

void cl_write_status(cl_status_line *line, const coldloop *c, const coldloop_outputs *out)
{
    const bool reversed = out->reverse_permille > 0U;

    line->length = 0U;
    put(line, 's');
    put_number(line, out->state, 1U);
    put(line, ' ');
    put(line, 'r');
    put_number(line, out->reason, 1U);
    put_reading(line, 'a', c->guard.air_c100);
    put_reading(line, 'h', c->guard.hot_c100);
    put_reading(line, 'c', c->guard.cold_c100);
    put(line, ' ');
    put(line, reversed ? 'r' : 'd');
    put_number(line, reversed ? out->reverse_permille : out->duty_permille, 1U);
    put(line, ' ');
    put(line, 'm');
    put(line, out->module_on ? '1' : '0');
    put_flags(line, 'f', out->hot_fan, out->cold_fan);
    put_flags(line, 'l', out->alarm, out->warning);
    put(line, ' ');
    put(line, 'k');
    put_hex16(line, c->check.last);
    put_settings(line);
    put(line, '\n');
}
