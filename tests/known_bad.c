/* Breaks rules of MISRA C:2012 on purpose: a checker that finds nothing here checks nothing. */
#include <stdint.h>

static uint16_t counter;

uint8_t known_bad(int8_t step, uint16_t wide)
{
    uint8_t narrow = wide;             /* rule 10.3 */
    if (step) narrow = 3;              /* rule 14.4, 15.6 */
    if (wide == 4U) { return narrow; } /* rule 15.5 */
    while (narrow < 9U) {
        narrow++;
        if (narrow == 5U) { goto out; } /* rule 15.1 */
    }
    switch (wide) {                    /* rule 16.4, 16.6 */
    case 1U:
        counter = counter + narrow++;  /* rule 13.3 */
        break;
    }
    wide == 3U ? counter++ : 0U;
out:
    return narrow;
}
