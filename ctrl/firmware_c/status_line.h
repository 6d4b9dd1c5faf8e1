/* The state of the controller as text, part by part, so that little memory is needed:
 *
 *   s1 r0 a8.12 h31.05 c-2.40 d450 m1 f11 l00 k1EC4 p0010=8813
 *
 * s state, r reason (coldloop_controller_io.h); a, h, c control, hot-sink and cold-sink
 * reading [deg C], "-" where there is none; d duty, or b the one backwards [1/1000];
 * m module on; f hot and cold fan; l alarm and warning; k checksum read back from the
 * settings; p two bytes of the settings as they lie in flash, the next ones in each line.
 */
#ifndef CL_STATUS_LINE_H
#define CL_STATUS_LINE_H

#include <stdint.h>

#include "coldloop_controller.h"

#define CL_STATUS_PARTS 11U
#define CL_PART_LENGTH 11U /* of the longest part, "p0010=8813" and a space */

typedef struct cl_status_line {
    uint16_t at;    /* byte of the settings that comes next */
    uint8_t part;   /* that comes next, 0 to CL_STATUS_PARTS - 1 */
    uint8_t length; /* of the text */
    uint8_t sent;   /* of it, counted by whoever sends it */
    uint8_t text[CL_PART_LENGTH];
} cl_status_line;

void cl_start_status(cl_status_line *line);

/* Write the next part of the line into line->text. */
void cl_write_status(cl_status_line *line, const coldloop *c, const coldloop_outputs *out);

#endif
