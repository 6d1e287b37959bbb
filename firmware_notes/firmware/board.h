/* What the board says and when. Portable: knows no registers. */
#ifndef BOARD_H
#define BOARD_H

#include "hal.h"

/* One sampling instant: writes the records that are due, the E record last. */
void board_step(const struct sample *sample);

#endif
