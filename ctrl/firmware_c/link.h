/*
 * The link between coldloop, which plays the cabinet, and a board that runs a controller:
 * over a serial line, over pipes, or into an emulated microcontroller.
 *
 *     sync 0xA5 | kind | length | payload, little-endian | CRC-8
 *
 * The CRC has the polynomial 0x07, starts at 0 and covers kind, length and payload.
 *
 *   HELLO   0x01  host to board   3 bytes  version u8, tick u16 [ms]
 *   READY   0x81  board to host   3 bytes  version u8, checksum of the settings u16
 *   TICK    0x02  host to board  33 bytes  as struct link_tick, in its order
 *   COMMAND 0x82  board to host   8 bytes  as struct link_command, in its order
 *
 * The board answers HELLO with READY and starts its controller anew; it answers TICK with
 * COMMAND, with the tick's own sequence number.  A TICK with the number of the one before is
 * answered again, not run again.  link_serve() does all this.
 *
 * CAUTION: while a board speaks this, the temperatures are simulated. Do not connect its
 * output to a module.
 *
 * C99, no heap, no other library. RAM: sizeof(link_board), 53 bytes on an 8-bit part.
 */
#ifndef COLDLOOP_LINK_H
#define COLDLOOP_LINK_H

#include <stdbool.h>
#include <stdint.h>

#define LINK_SYNC 0xA5U
#define LINK_VERSION 1U

#define LINK_HELLO 0x01U
#define LINK_TICK 0x02U
#define LINK_READY 0x81U
#define LINK_COMMAND 0x82U

#define LINK_HELLO_BYTES 3U
#define LINK_READY_BYTES 3U
#define LINK_TICK_BYTES 33U
#define LINK_COMMAND_BYTES 8U
#define LINK_AROUND 4U /* sync, kind, length, CRC */
#define LINK_MOST_BYTES (LINK_TICK_BYTES + LINK_AROUND)
#define LINK_ANSWER_BYTES (LINK_COMMAND_BYTES + LINK_AROUND)

#define LINK_ABSENT (-32768) /* code or temperature of a sensor that is not fitted */
#define LINK_NO_TACH 255U    /* pulses of a tachometer that is not wired */

/* Bits of link_command.bits. */
#define LINK_MODULE_ON 0x01U
#define LINK_HOT_FAN 0x02U
#define LINK_COLD_FAN 0x04U
#define LINK_ALARM 0x08U
#define LINK_WARNING 0x10U

typedef struct link_tick {
    uint8_t sequence;
    uint16_t elapsed_ms;  /* since the last tick [ms] */
    int32_t control_code; /* raw code of the converter, or signed 1/16 deg C */
    int32_t hot_code;
    int32_t cold_code;
    int32_t ambient_code;
    int16_t control_c100; /* the same as a temperature [1/100 deg C] */
    int16_t hot_c100;
    int16_t cold_c100;
    int16_t ambient_c100;
    uint32_t supply_mv;  /* at the supply's terminals [mV] */
    uint8_t hot_pulses;  /* of the hot fan's tachometer since the last tick; 254: or more */
    uint8_t cold_pulses; /* of the cold fan's */
} link_tick;

typedef struct link_command {
    uint8_t sequence;
    uint16_t duty_permille;    /* 0 to 1000, cooling [1/1000] */
    uint16_t reverse_permille; /* 0 to 1000, heating; never beside a duty [1/1000] */
    uint8_t bits;              /* LINK_MODULE_ON and the others */
    uint8_t state;             /* the board's own numbers, shown as they are */
    uint8_t reason;
} link_command;

/* Bytes received that are not yet a frame. */
typedef struct link_decoder {
    uint8_t held[LINK_MOST_BYTES];
    uint8_t count;
} link_decoder;

typedef struct link_board {
    link_decoder decoder;
    uint8_t answer[LINK_ANSWER_BYTES]; /* the last one, to be sent again if it is lost */
    uint8_t answer_bytes;
    uint8_t sequence;
    bool answered; /* whether `answer` is that of `sequence` */
} link_board;

/* What link_serve() asks the caller to do. */
typedef enum link_event {
    LINK_NOTHING, /* no whole frame yet */
    LINK_RESET,   /* reset the controller, then link_ready() and send */
    LINK_RUN,     /* run the tick, then link_answer() and send */
    LINK_REPEAT   /* only send the last answer again */
} link_event;

uint8_t link_crc8(const uint8_t *data, uint8_t count);

void link_clear(link_decoder *decoder);

/* Take one byte in. Then call link_take() until it returns false. */
void link_push(link_decoder *decoder, uint8_t byte);

/* Return true when a whole frame was there: its kind and payload (LINK_TICK_BYTES of room). */
bool link_take(link_decoder *decoder, uint8_t *kind, uint8_t *payload);

/* Write a frame to `out` (count + LINK_AROUND bytes of room); return its length. */
uint8_t link_frame(uint8_t kind, const uint8_t *payload, uint8_t count, uint8_t *out);

void link_read_tick(const uint8_t *payload, link_tick *tick);
void link_write_command(const link_command *command, uint8_t *payload);

/* The board's side: bytes in by link_push(&board->decoder, byte), then link_serve() until it
   returns LINK_NOTHING. What is to be sent is in board->answer, board->answer_bytes. */
void link_start(link_board *board);
link_event link_serve(link_board *board, link_tick *tick, uint16_t *tick_ms);
void link_ready(link_board *board, uint16_t checksum);
void link_answer(link_board *board, link_command *command);

#endif
