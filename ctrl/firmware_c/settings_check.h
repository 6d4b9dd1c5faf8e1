/* Are the settings still what was exported?  CRC-16, polynomial 0x1021, start 0xFFFF.
 *
 * All of them at the start, then a piece each tick.  What it finds stays found until a reset.
 */
#ifndef CL_SETTINGS_CHECK_H
#define CL_SETTINGS_CHECK_H

#include <stdbool.h>
#include <stdint.h>

typedef struct cl_settings_check {
    uint16_t at;      /* next byte to look at */
    uint16_t crc;     /* of those before it */
    uint16_t last;    /* of the last whole pass */
    bool damaged;     /* latched until a reset */
} cl_settings_check;

/* Check all settings. */
void cl_start_settings_check(cl_settings_check *check);

/* Check the next piece; true when the settings were ever found damaged. */
bool cl_settings_damaged(cl_settings_check *check);

#endif
