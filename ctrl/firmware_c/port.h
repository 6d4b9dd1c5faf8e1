/* What depends on the compiler: where settings lie, and how they are read.
 *
 * An 8-bit AVR keeps constants in flash only when told so, and reads them with
 * instructions of their own.  Elsewhere a constant is read like any other value.
 * Every setting and every table is read through the CL_READ_ macros below.
 */
#ifndef CL_PORT_H
#define CL_PORT_H

#include <stdint.h>

#if defined(__AVR__)
#include <avr/pgmspace.h>
#define CL_FLASH PROGMEM
#define CL_READ_U8(address) ((uint8_t)pgm_read_byte(address))
#define CL_READ_U16(address) ((uint16_t)pgm_read_word(address))
#define CL_READ_I16(address) ((int16_t)pgm_read_word(address))
#define CL_READ_I32(address) ((int32_t)pgm_read_dword(address))
#else
#define CL_FLASH
#define CL_READ_U8(address) ((address)[0])
#define CL_READ_U16(address) ((address)[0])
#define CL_READ_I16(address) ((address)[0])
#define CL_READ_I32(address) ((address)[0])
#endif

/* An 8-bit AVR reaches a variable through a pointer with half the bytes that its address
 * takes; where the compiler knows the address it takes that.  This hides it. */
#if defined(__AVR__)
#define CL_BY_POINTER(pointer) __asm__("" : "+r"(pointer))
#else
#define CL_BY_POINTER(pointer)
#endif

/* A test on a computer may define this as nothing, to damage settings on purpose. */
#ifndef CL_CONST
#define CL_CONST const
#endif

#endif
