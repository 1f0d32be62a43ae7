// SPDX-License-Identifier: MIT
// The supply by the band-gap, watched in the background.
#pragma once
#include "catalogue.h"
#include "hw.h"

uint16_t supply_mv(void);      // the last measurement, 0 before the first
uint16_t supply_noise(void);   // stirred by every conversion's lowest bits
HW_APART void supply_poll(void);
uint16_t millivolts(uint16_t reading);  // of a band-gap reading against AVCC
