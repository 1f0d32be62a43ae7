// SPDX-License-Identifier: MIT
// CRC-32 of the image in flash (the one of IEEE 802.3), computed in small pieces after the start.
#pragma once
#include <stdint.h>
uint32_t image_crc(void);  // 0 while it is being computed
bool image_step(void);     // one piece; true when done
