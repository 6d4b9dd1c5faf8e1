/* Constant duty: no control at all, for tests and for the bench.
 */
#ifndef CL_LAW_FIXED_H
#define CL_LAW_FIXED_H

#include <stdbool.h>
#include <stdint.h>

typedef struct cl_law_settings {
    int16_t duty_permille; /* [1/1000] */
    int16_t reserved;      /* 0 */
} cl_law_settings;

typedef struct cl_law {
    int16_t demand_permille; /* [1/1000] */
} cl_law;

#endif
