/* One line of text for each tick that finds the serial line free:
 *
 *   s1 r0 a8.12 h31.05 c-2.40 d450 m1 f11 l00 k1EC4 p0010=8813
 *
 * s state, r reason (coldloop_controller_io.h); a, h, c control, hot-sink and cold-sink
 * reading [deg C], "-" where there is none; d duty, or r and the reversed one [1/1000];
 * m module on; f hot and cold fan; l alarm and warning; k checksum read back from the
 * settings; p two bytes of the settings as they lie in flash, next ones in each line.
 */
#ifndef CL_STATUS_LINE_H
#define CL_STATUS_LINE_H

#include <stdint.h>

#include "coldloop_controller.h"

#define CL_STATUS_LENGTH 80U

typedef struct cl_status_line {
    uint16_t at;      /* byte of the settings that comes next */
    uint8_t length;   /* of the text */
    uint8_t text[CL_STATUS_LENGTH];
} cl_status_line;

/* Write the line of this tick into line->text. */
void cl_write_status(cl_status_line *line, const coldloop *c, const coldloop_outputs *out);

#endif
