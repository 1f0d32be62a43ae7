// SPDX-License-Identifier: MIT
// The probe as a whole: start it once, poll it in the loop. Modules tell it when they want to be polled next.
#pragma once
#include "catalogue.h"
#include "hw.h"

void probe_start(void);
void probe_poll(void);
bool probe_pending(void);     // a request waits for room for its answer
void probe_feed(const uint8_t *bytes, uint8_t size);  // bytes of a frame that came over the air

void wake_at(uint32_t tick);  // poll again at that time at the latest; asked anew in every turn
bool not_yet(uint32_t tick);  // that time has not come; asks to be polled then
uint16_t probe_late_us(void); // the longest turn so far

// What only one thing can use at a time.
enum Resource { USES_RADIO = 1, USES_ADC = 2, USES_TWI = 4, USES_LED = 8 };
#define TAIL 0x80
uint8_t probe_taken(void);    // by whatever is under way
