/* Encoder of the wire format for a sensor device, in C99: no heap, nothing beyond stdint and string.
 *
 * Every function writes one whole frame, its ending zero byte included, into a buffer of the caller and returns how
 * many bytes that is; 0 when the buffer is too small or the hello cannot be described. Send those bytes as they are.
 */
#ifndef TAUTPOINT_ENCODER_H
#define TAUTPOINT_ENCODER_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

#define TAUTPOINT_VERSION 1u
#define TAUTPOINT_MOST_CHANNELS 8u
#define TAUTPOINT_MOST_TEXT 32u
/* The count that says: no value. */
#define TAUTPOINT_MISSING INT32_MIN
/* Largest frame with its stuffing and its ending zero: a sample of eight channels, and the longest hello. */
#define TAUTPOINT_SAMPLE_BYTES 43u
#define TAUTPOINT_HELLO_BYTES 644u

enum tautpoint_quantity { TAUTPOINT_FORCE = 1, TAUTPOINT_DISPLACEMENT = 2, TAUTPOINT_DRIVE = 3 };
/* The subject's side, for a sensor under one hand only; no side for one that moves from side to side. */
enum tautpoint_side { TAUTPOINT_NO_SIDE = 0, TAUTPOINT_LEFT = 1, TAUTPOINT_RIGHT = 2 };
enum tautpoint_unit { TAUTPOINT_COUNTS = 0, TAUTPOINT_N = 1, TAUTPOINT_MM = 2, TAUTPOINT_DEG = 3 };

struct tautpoint_channel {
    uint8_t quantity;
    uint8_t side;
    uint8_t unit;
    /* One count is digits times ten to the power of ten: 125 and -5 are 0.00125. For counts: 1 and 0. */
    int32_t digits;
    int8_t power_of_ten;
    /* Texts of at most 32 bytes; a null pointer is an empty one. */
    const char *sensor;
    const char *calibration;
};

struct tautpoint_hello {
    const char *device;
    uint32_t rate_millihertz;
    uint8_t channels;
    const struct tautpoint_channel *channel;
};

/* CRC-16/IBM-3740. Begin with 0xFFFF; the result of one call may be the start of the next. */
uint16_t tautpoint_crc16(uint16_t crc, const uint8_t *bytes, uint16_t length);

/* Consistent overhead byte stuffing; writes the ending zero too. */
uint16_t tautpoint_stuff(const uint8_t *plain, uint16_t length, uint8_t *out, uint16_t room);

/* What the device is. `sequence` is the number that the next sample will have. Send it when the device starts, when
 * a '?' comes in, and once a second. */
uint16_t tautpoint_hello(const struct tautpoint_hello *hello, uint16_t sequence, uint32_t time_us, uint8_t *out,
                         uint16_t room);

/* One sample of every channel. The caller adds one to `sequence` for every sample taken, sent or not. */
uint16_t tautpoint_sample(const int32_t *counts, uint8_t channels, uint16_t sequence, uint32_t time_us, uint8_t *out,
                          uint16_t room);

#ifdef __cplusplus
}
#endif

#endif
