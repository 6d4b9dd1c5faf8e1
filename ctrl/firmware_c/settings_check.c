#include "settings_check.h"

#include "coldloop_settings.h"

#define BYTES_PER_TICK 16U
#define POLYNOMIAL 0x1021U

/* The layout that the checksum was worked out for has no padding.  Does not compile where
 * the compiler's differs. */
typedef char cl_layout_is_as_exported
    [(sizeof(coldloop_settings) == CL_SETTINGS_BYTES) ? 1 : -1];

static uint16_t crc_of(uint16_t before, uint8_t byte)
{
    uint16_t crc = (uint16_t)(before ^ ((uint16_t)byte << 8U));
    uint8_t bit;

    for (bit = 0U; bit < 8U; bit++) {
        const bool carry = (crc & 0x8000U) != 0U;

        crc = (uint16_t)(crc << 1U);
        if (carry) {
            crc ^= POLYNOMIAL;
        }
    }
    return crc;
}

/* Look at so many more bytes; judge at the end of a pass. */
static void look(cl_settings_check *check, uint16_t bytes)
{
    const uint8_t *settings = (const uint8_t *)&cl_settings;
    uint16_t left = bytes;

    while (left > 0U) {
        check->crc = crc_of(check->crc, CL_READ_U8(&settings[check->at]));
        check->at++;
        left--;
        if (check->at >= CL_SETTINGS_BYTES) {
            if (check->crc != CL_READ_U16(&cl_settings_checksum)) {
                check->damaged = true;
            }
            check->last = check->crc;
            check->at = 0U;
            check->crc = UINT16_MAX;
        }
    }
}

void cl_start_settings_check(cl_settings_check *check)
{
    check->at = 0U;
    check->crc = UINT16_MAX;
    check->last = 0U;
    check->damaged = false;
    look(check, CL_SETTINGS_BYTES);
}

bool cl_settings_damaged(cl_settings_check *check)
{
    look(check, BYTES_PER_TICK);
    return check->damaged;
}
