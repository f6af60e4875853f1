/* What a station is: set here, or on the command line of make (README.md, "Building the firmware"). */
#ifndef STATION_CONFIG_H
#define STATION_CONFIG_H

#include "../encoder.h"

/* Samples a second; 1,000,000 must be a multiple of it, so that the time of a sample is a whole number of µs. For a bridge
 * converter with its own clock: what it is set to, 80 or 10. */
#ifndef RATE_HZ
#define RATE_HZ 80UL
#endif
#define PERIOD_US (1000000UL / RATE_HZ)
#if RATE_HZ < 10 || RATE_HZ > 2000
#error "RATE_HZ: 10 to 2000 samples a second"
#endif
#if 1000000UL % RATE_HZ != 0
#error "RATE_HZ must divide 1,000,000"
#endif

#ifndef BAUD
#define BAUD 500000UL
#endif

/* A receiver samples each bit in its middle: over ten bits both ends together may be some 5 % apart, half of it ours. */
#define BAUD_IS_NEAR(actual) \
    ((actual) * 1000UL <= BAUD * 1025UL && (actual) * 1000UL >= BAUD * 975UL)

/* A frame of two channels is 19 bytes of ten bits, a hello once a second some 60. */
#ifndef LINE_MAY_BE_TOO_SLOW
#if RATE_HZ * 190UL + 2000UL > BAUD
#error "the line does not carry so many samples a second: a higher BAUD or a lower RATE_HZ"
#endif
#endif

/* What the µs counter begins with; tests begin shortly before it wraps. */
#ifndef FIRST_TIME_US
#define FIRST_TIME_US 0UL
#endif

/* Name that the station gives itself, and codes of its sensors as in the study's calibrations. */
#ifndef DEVICE_NAME
#define DEVICE_NAME "station"
#endif
#ifndef FORCE_SENSOR
#define FORCE_SENSOR ""
#endif
#ifndef DISPLACEMENT_SENSOR
#define DISPLACEMENT_SENSOR ""
#endif

/* A text that is longer could not be said, and a station without a hello is none. */
#define FITS(text) (sizeof(text) - 1u <= TAUTPOINT_MOST_TEXT)
typedef char device_name_has_at_most_32_bytes[FITS(DEVICE_NAME) ? 1 : -1];
typedef char force_sensor_has_at_most_32_bytes[FITS(FORCE_SENSOR) ? 1 : -1];
typedef char displacement_sensor_has_at_most_32_bytes[FITS(DISPLACEMENT_SENSOR) ? 1 : -1];

/* Unit of a count: encoder.h. Counts, until the study's own calibration turns them into N and mm. */
#ifndef FORCE_UNIT
#define FORCE_UNIT TAUTPOINT_COUNTS
#define FORCE_DIGITS 1
#define FORCE_POWER 0
#endif
#ifndef DISPLACEMENT_UNIT
#define DISPLACEMENT_UNIT TAUTPOINT_COUNTS
#define DISPLACEMENT_DIGITS 1
#define DISPLACEMENT_POWER 0
#endif

#endif
