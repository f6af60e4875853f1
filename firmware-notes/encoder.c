/* Encoder of the wire format; see encoder.h and README.md. */
#include "encoder.h"

#include <string.h>

#define HELLO 1u
#define SAMPLE 2u

/* A frame on its way: COBS needs one byte of every block before it is known, so that its place is kept. */
struct frame {
    uint8_t *out;
    uint16_t room;
    uint16_t used;
    uint16_t code_at;
    uint16_t crc;
    uint8_t code;
    uint8_t failed;
};

static void put_raw(struct frame *f, uint8_t byte)
{
    if (f->used < f->room) {
        f->out[f->used++] = byte;
    } else {
        f->failed = 1;
    }
}

static void begin(struct frame *f, uint8_t *out, uint16_t room)
{
    f->out = out;
    f->room = room;
    f->used = 0;
    f->code_at = 0;
    f->crc = 0xFFFFu;
    f->code = 1;
    f->failed = 0;
    put_raw(f, 0); /* the first code's place */
}

/* Closes the block and begins another one. */
static void next_block(struct frame *f)
{
    if (!f->failed) {
        f->out[f->code_at] = f->code;
    }
    f->code_at = f->used;
    f->code = 1;
    put_raw(f, 0);
}

static void stuff(struct frame *f, uint8_t byte)
{
    if (f->code == 0xFFu) {
        next_block(f);
    }
    if (byte == 0) {
        next_block(f);
    } else {
        put_raw(f, byte);
        f->code++;
    }
}

static uint16_t finish(struct frame *f)
{
    if (!f->failed) {
        f->out[f->code_at] = f->code;
    }
    put_raw(f, 0);
    return f->failed ? 0 : f->used;
}

uint16_t tautpoint_crc16(uint16_t crc, const uint8_t *bytes, uint16_t length)
{
    uint16_t i;
    uint8_t bit;

    for (i = 0; i < length; i++) {
        crc = (uint16_t)(crc ^ (uint16_t)((uint16_t)bytes[i] << 8));
        for (bit = 0; bit < 8; bit++) {
            if (crc & 0x8000u) {
                crc = (uint16_t)((uint16_t)(crc << 1) ^ 0x1021u);
            } else {
                crc = (uint16_t)(crc << 1);
            }
        }
    }
    return crc;
}

uint16_t tautpoint_stuff(const uint8_t *plain, uint16_t length, uint8_t *out, uint16_t room)
{
    struct frame f;
    uint16_t i;

    begin(&f, out, room);
    for (i = 0; i < length; i++) {
        stuff(&f, plain[i]);
    }
    return finish(&f);
}

/* A byte of content: into the checksum and onto the line. */
static void put(struct frame *f, uint8_t byte)
{
    f->crc = tautpoint_crc16(f->crc, &byte, 1);
    stuff(f, byte);
}

static void put_u16(struct frame *f, uint16_t value)
{
    put(f, (uint8_t)(value & 0xFFu));
    put(f, (uint8_t)(value >> 8));
}

static void put_u32(struct frame *f, uint32_t value)
{
    put_u16(f, (uint16_t)(value & 0xFFFFu));
    put_u16(f, (uint16_t)(value >> 16));
}

static void put_text(struct frame *f, const char *text)
{
    size_t length = text ? strlen(text) : 0;
    size_t i;

    if (length > TAUTPOINT_MOST_TEXT) {
        f->failed = 1;
        return;
    }
    put(f, (uint8_t)length);
    for (i = 0; i < length; i++) {
        put(f, (uint8_t)text[i]);
    }
}

static void head(struct frame *f, uint8_t type, uint16_t sequence, uint32_t time_us)
{
    put(f, type);
    put_u16(f, sequence);
    put_u32(f, time_us);
}

/* The checksum goes last, and is not part of itself. */
static uint16_t close_frame(struct frame *f)
{
    uint16_t crc = f->crc;

    stuff(f, (uint8_t)(crc & 0xFFu));
    stuff(f, (uint8_t)(crc >> 8));
    return finish(f);
}

uint16_t tautpoint_hello(const struct tautpoint_hello *hello, uint16_t sequence, uint32_t time_us, uint8_t *out,
                         uint16_t room)
{
    struct frame f;
    uint8_t i;

    if (hello->channels == 0 || hello->channels > TAUTPOINT_MOST_CHANNELS) {
        return 0;
    }
    begin(&f, out, room);
    head(&f, HELLO, sequence, time_us);
    put(&f, TAUTPOINT_VERSION);
    put_u32(&f, hello->rate_millihertz);
    put_text(&f, hello->device);
    put(&f, hello->channels);
    for (i = 0; i < hello->channels; i++) {
        const struct tautpoint_channel *c = &hello->channel[i];

        put(&f, c->quantity);
        put(&f, c->side);
        put(&f, c->unit);
        put_u32(&f, (uint32_t)c->digits);
        put(&f, (uint8_t)c->power_of_ten);
        put_text(&f, c->sensor);
        put_text(&f, c->calibration);
    }
    return close_frame(&f);
}

uint16_t tautpoint_sample(const int32_t *counts, uint8_t channels, uint16_t sequence, uint32_t time_us, uint8_t *out,
                          uint16_t room)
{
    struct frame f;
    uint8_t i;

    if (channels == 0 || channels > TAUTPOINT_MOST_CHANNELS) {
        return 0;
    }
    begin(&f, out, room);
    head(&f, SAMPLE, sequence, time_us);
    for (i = 0; i < channels; i++) {
        put_u32(&f, (uint32_t)counts[i]);
    }
    return close_frame(&f);
}
