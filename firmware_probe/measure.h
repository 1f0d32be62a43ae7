// SPDX-License-Identifier: MIT
// Converter readings on request, and the droop of a rail under a load.
#pragma once
#include "catalogue.h"
#include "hw.h"

HW_APART void measure_poll(void);
bool measure_uses_adc(void);
bool measure_uses_radio(void);
