// SPDX-License-Identifier: MIT
// Converter readings on request, the joystick stream, and the droop of a rail under a load.
#pragma once
#include "catalogue.h"
#include "hw.h"

HW_APART void measure_poll(void);
bool measure_uses_adc(void);
bool measure_uses_radio(void);
bool measure_droops(void);  // a load is being switched again and again
