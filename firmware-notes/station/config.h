/* What a station is: set here, or on the command line of make (README.md, "Building the firmware"). */
#ifndef STATION_CONFIG_H
#define STATION_CONFIG_H

/* Samples a second; 1,000,000 must be a multiple of it, so that the time of a sample is a whole number of µs. For a bridge
 * converter with its own clock: what it is set to, 80 or 10. */
#ifndef RATE_HZ
#define RATE_HZ 80UL
#endif
#define PERIOD_US (1000000UL / RATE_HZ)
#if 1000000UL % RATE_HZ != 0
#error "RATE_HZ must divide 1,000,000"
#endif

#ifndef BAUD
#define BAUD 500000UL
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
