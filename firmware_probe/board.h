// SPDX-License-Identifier: MIT
// The board itself: identity, settings over the wire, vitals, pins, LED.
#pragma once
#include "catalogue.h"
#include "hw.h"
#define FIRMWARE_VERSION 0x0100  // major, minor

HW_APART void board_start(void);      // pins as the settings say
void board_wire(void);       // the same again after a change
HW_APART void board_poll(void);
HW_APART void send_boot(void);
void led_write(bool on);
void led_set(bool on);       // and noted in the life's record
bool led_busy(void);
