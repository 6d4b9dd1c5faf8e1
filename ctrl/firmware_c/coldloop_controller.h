/* The controller with its protections: start it once, then call it once a tick.
 *
 * It keeps no clock: time is the number of ticks it was called for.
 */
#ifndef COLDLOOP_CONTROLLER_H
#define COLDLOOP_CONTROLLER_H

#include "coldloop_controller_io.h"
#include "coldloop_settings.h"
#include "settings_check.h"

typedef struct coldloop {
    cl_guard guard;
    cl_law law;
    cl_settings_check check;
} coldloop;

/* As after a reset: off, nothing read, the minimum off-time begins. */
void coldloop_start(coldloop *c);

/* Take one tick. */
void coldloop_tick(coldloop *c, const coldloop_inputs *in, coldloop_outputs *out);

#endif
