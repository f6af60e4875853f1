/* An SPI converter with two inputs of 16 bits, mode 0.
 *
 * Selecting it holds the input that the last byte chose and starts its conversion. Three bytes go either way: out the
 * input for the next conversion (0x80, or 0xC0 for the second) and two without meaning; in a state, and the value, high byte first, in
 * two's complement. The state is 0xA0 and, in the lowest bit, the input that the value is of; the next bit is 1 when the value is not
 * new. So a line that is held low (0x00), pulled up (0xFF), shifted by a bit or one input off is never taken for a value. A
 * converter without such bits cannot be told from a dead one: choose one that has an identity, a channel or a checksum in what it sends.
 */
#ifndef STATION_TWO_INPUTS_H
#define STATION_TWO_INPUTS_H

#include <stdint.h>

/* Throws away what the converter holds from before: after a reset of the controller alone, of whichever input. */
void two_inputs_begin(void);

/* Reads both, the first one first; TAUTPOINT_MISSING for one that is not new, or of the other input. */
void two_inputs_read(int32_t *counts);

#endif
