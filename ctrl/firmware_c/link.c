/* The link: see link.h. */
#include "link.h"

#include <stddef.h>

uint8_t link_crc8(const uint8_t *data, uint8_t count)
{
    uint8_t crc = 0U;
    uint8_t i;
    uint8_t bit;
    for (i = 0U; i < count; i++) {
        crc = (uint8_t)(crc ^ data[i]);
        for (bit = 0U; bit < 8U; bit++) {
            if ((crc & 0x80U) != 0U) {
                crc = (uint8_t)(((uint16_t)crc * 2U) ^ 0x07U);
            } else {
                crc = (uint8_t)((uint16_t)crc * 2U);
            }
        }
    }
    return crc;
}

/* Return the payload's length of a kind, 255 for an unknown kind. */
static uint8_t bytes_of(uint8_t kind)
{
    uint8_t bytes = 255U;
    if ((kind == LINK_HELLO) || (kind == LINK_READY)) {
        bytes = LINK_HELLO_BYTES;
    } else if (kind == LINK_TICK) {
        bytes = LINK_TICK_BYTES;
    } else if (kind == LINK_COMMAND) {
        bytes = LINK_COMMAND_BYTES;
    } else {
        /* unknown */
    }
    return bytes;
}

/* Drop `count` held bytes. */
static void drop(link_decoder *decoder, uint8_t count)
{
    uint8_t i;
    decoder->count = (uint8_t)(decoder->count - count);
    for (i = 0U; i < decoder->count; i++) {
        decoder->held[i] = decoder->held[(uint8_t)(i + count)];
    }
}

/* Drop the first byte and what follows it up to the next sync. */
static void drop_to_sync(link_decoder *decoder)
{
    uint8_t at = 1U;
    while ((at < decoder->count) && (decoder->held[at] != LINK_SYNC)) {
        at++;
    }
    drop(decoder, at);
}

/* Tell whether the held bytes can still become a frame. */
static bool may_be_frame(const link_decoder *decoder)
{
    bool may = (decoder->held[0] == LINK_SYNC);
    if (may && (decoder->count > 1U)) {
        may = (bytes_of(decoder->held[1]) != 255U);
    }
    if (may && (decoder->count > 2U)) {
        may = (bytes_of(decoder->held[1]) == decoder->held[2]);
    }
    return may;
}

void link_clear(link_decoder *decoder)
{
    decoder->count = 0U;
}

void link_push(link_decoder *decoder, uint8_t byte)
{
    if (decoder->count >= LINK_MOST_BYTES) { /* only if link_take() was not called */
        drop(decoder, 1U);
    }
    decoder->held[decoder->count] = byte;
    decoder->count++;
}

bool link_take(link_decoder *decoder, uint8_t *kind, uint8_t *payload)
{
    bool taken = false;
    bool waiting = false;
    while ((decoder->count > 0U) && !taken && !waiting) {
        if (!may_be_frame(decoder)) {
            drop_to_sync(decoder);
        } else if ((decoder->count < 3U) ||
                   (decoder->count < (uint8_t)(decoder->held[2] + LINK_AROUND))) {
            waiting = true;
        } else {
            const uint8_t bytes = decoder->held[2];
            const uint8_t crc = link_crc8(&decoder->held[1], (uint8_t)(bytes + 2U));
            if (crc == decoder->held[(uint8_t)(bytes + 3U)]) {
                uint8_t i;
                *kind = decoder->held[1];
                for (i = 0U; i < bytes; i++) {
                    payload[i] = decoder->held[(uint8_t)(i + 3U)];
                }
                drop(decoder, (uint8_t)(bytes + LINK_AROUND));
                taken = true;
            } else {
                drop_to_sync(decoder);
            }
        }
    }
    return taken;
}

uint8_t link_frame(uint8_t kind, const uint8_t *payload, uint8_t count, uint8_t *out)
{
    uint8_t i;
    out[0] = (uint8_t)LINK_SYNC;
    out[1] = kind;
    out[2] = count;
    for (i = 0U; i < count; i++) {
        out[(uint8_t)(i + 3U)] = payload[i];
    }
    out[(uint8_t)(count + 3U)] = link_crc8(&out[1], (uint8_t)(count + 2U));
    return (uint8_t)(count + LINK_AROUND);
}

static uint16_t read_u16(const uint8_t *at)
{
    return (uint16_t)((uint16_t)at[0] | (uint16_t)((uint16_t)at[1] << 8));
}

static uint32_t read_u32(const uint8_t *at)
{
    return (uint32_t)read_u16(at) | ((uint32_t)read_u16(&at[2]) << 16);
}

/* Signed from two's complement, without a conversion that the compiler may define. */
static int16_t read_i16(const uint8_t *at)
{
    const uint16_t word = read_u16(at);
    return (word < 0x8000U) ? (int16_t)word : (int16_t)((int32_t)word - 65536);
}

static int32_t read_i32(const uint8_t *at)
{
    const uint32_t word = read_u32(at);
    const uint32_t below = ~word;
    return (word < 0x80000000UL) ? (int32_t)word : (-(int32_t)below - 1);
}

static void write_u16(uint8_t *at, uint16_t value)
{
    at[0] = (uint8_t)(value & 0xFFU);
    at[1] = (uint8_t)(value >> 8);
}

void link_read_tick(const uint8_t *payload, link_tick *tick)
{
    tick->sequence = payload[0];
    tick->elapsed_ms = read_u16(&payload[1]);
    tick->control_code = read_i32(&payload[3]);
    tick->hot_code = read_i32(&payload[7]);
    tick->cold_code = read_i32(&payload[11]);
    tick->ambient_code = read_i32(&payload[15]);
    tick->control_c100 = read_i16(&payload[19]);
    tick->hot_c100 = read_i16(&payload[21]);
    tick->cold_c100 = read_i16(&payload[23]);
    tick->ambient_c100 = read_i16(&payload[25]);
    tick->supply_mv = read_u32(&payload[27]);
    tick->hot_pulses = payload[31];
    tick->cold_pulses = payload[32];
}

void link_write_command(const link_command *command, uint8_t *payload)
{
    payload[0] = command->sequence;
    write_u16(&payload[1], command->duty_permille);
    write_u16(&payload[3], command->reverse_permille);
    payload[5] = command->bits;
    payload[6] = command->state;
    payload[7] = command->reason;
}

void link_start(link_board *board)
{
    link_clear(&board->decoder);
    board->answer_bytes = 0U;
    board->sequence = 0U;
    board->answered = false;
}

link_event link_serve(link_board *board, link_tick *tick, uint16_t *tick_ms)
{
    uint8_t payload[LINK_TICK_BYTES];
    uint8_t kind = 0U;
    link_event event = LINK_NOTHING;
    while ((event == LINK_NOTHING) && link_take(&board->decoder, &kind, payload)) {
        if (kind == LINK_HELLO) {
            *tick_ms = read_u16(&payload[1]);
            board->answered = false;
            event = LINK_RESET;
        } else if (kind == LINK_TICK) {
            if (board->answered && (payload[0] == board->sequence)) {
                event = LINK_REPEAT;
            } else {
                link_read_tick(payload, tick);
                board->sequence = payload[0];
                board->answered = false;
                event = LINK_RUN;
            }
        } else {
            /* an answer is not for a board */
        }
    }
    return event;
}

void link_ready(link_board *board, uint16_t checksum)
{
    uint8_t payload[LINK_READY_BYTES];
    payload[0] = (uint8_t)LINK_VERSION;
    write_u16(&payload[1], checksum);
    board->answer_bytes = link_frame((uint8_t)LINK_READY, payload, LINK_READY_BYTES, board->answer);
}

void link_answer(link_board *board, link_command *command)
{
    uint8_t payload[LINK_COMMAND_BYTES];
    command->sequence = board->sequence;
    link_write_command(command, payload);
    board->answer_bytes =
        link_frame((uint8_t)LINK_COMMAND, payload, LINK_COMMAND_BYTES, board->answer);
    board->answered = true;
}
