// SPDX-License-Identifier: MIT
// What the mark_*.cpp files share among themselves.
#pragma once
#include "catalogue.h"
#include "dispatch.h"
#include "hw.h"

// firmware numbers from here on are of somebody's own sketch with this probe in it
#define OWN_SKETCH 0x8000
#define MARKS_VERSION 0x0100  // major, minor

void mark_ticks_start(void);
void mark_paint_stack(void);
void mark_radio_back(void);    // registers, lines and SPI as the sketch had them, once the probe has done with them
