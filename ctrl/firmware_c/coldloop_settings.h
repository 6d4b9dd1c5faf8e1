/* All that was set for this cabinet, as it lies in flash, and its checksum. */
#ifndef COLDLOOP_SETTINGS_H
#define COLDLOOP_SETTINGS_H

#include "coldloop_features.h"
#include "law.h"
#include "port.h"
#include "protection.h"

typedef struct coldloop_settings {
    cl_protection_settings protection;
    cl_law_settings law;
#if CL_WITH_THERMISTOR
    int16_t tables[CL_TABLE_WORDS]; /* of each kind of thermistor [1/100 deg C] */
#endif
} coldloop_settings;

/* Both are in settings.c. */
extern CL_CONST coldloop_settings cl_settings;
extern CL_CONST uint16_t cl_settings_checksum;

#endif
