// SPDX-License-Identifier: MIT
// The far end of the reach over the air: another board sends us pieces of frames as acknowledged packets, and takes
// what we send as payloads of the acknowledgements. That board only passes bytes on; numbers and repeats are between
// its host and us.
//
// A piece is a head byte and up to 31 bytes of frames; a head alone brings no bytes and has no number. Every piece is
// numbered, 0 and 1 in turn, and repeated until the other side asks for the next one, so that each byte is taken once.
// A piece to us is 1 or at least 9 bytes long and so never taken for a control packet.
#pragma once
#include "hw.h"

void relay_poll(void);
void relay_take(uint8_t size);  // a piece of so many bytes is in nrf_buffer
