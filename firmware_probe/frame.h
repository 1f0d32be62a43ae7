// SPDX-License-Identifier: MIT
// Frames on the wire: body and CRC-16/IBM-3740 (high byte first), COBS, ended by 0x00. Both directions byte by byte:
// received bytes are decoded as they come, sent ones are coded straight into the transmit ring.
#pragma once
#include "catalogue.h"
#include "hw.h"

#define FRAME_HEAD 3        // type and number
#define FRAME_ROOM_ANSWER (MAX_FRAME + 2)

uint16_t crc16(uint16_t crc, uint8_t byte);  // start with 0xFFFF

// ---- receiving
struct FrameDecoder {
  uint8_t body[MAX_BODY + 2];
  uint8_t length;   // decoded so far
  uint8_t block;    // bytes left of this COBS block
  bool zero;        // a zero stands between this block and the next
  bool started, bad;
  uint16_t crc;
};
void frame_reset(FrameDecoder *d);
// Length of the body (CRC taken off) when `byte` completed a good frame, else 0. Damage is counted in frame_bad().
uint8_t frame_feed(FrameDecoder *d, uint8_t byte);
uint16_t frame_bad(void);

// ---- sending: one frame is open at a time
void frame_open(uint8_t type, uint16_t number);
void frame_put(const void *data, uint8_t size);
void frame_close(void);

// ---- events: numbered; rows of the same kind and head are gathered into one frame
bool event_send(uint8_t type, const void *fields, uint8_t size);
// Rows go out when the frame is full, when another frame must go, or after EVENT_HOLD_MS (by the line; what goes another
// way is gathered until there is one). When the ring has no room
// the row is dropped whole and counted; its number is used up, so that the host sees the gap.
bool event_row(uint8_t type, const void *head, uint8_t head_size, const void *row, uint8_t row_size);
// The same where the head tells of the frame's first row: it joins when only the first `same` bytes are alike.
bool event_row_first(uint8_t type, const void *head, uint8_t head_size, uint8_t same, const void *row,
                     uint8_t row_size);
void event_flush(void);
void event_poll(uint32_t now);
bool event_drop(void);  // one that never came to be is counted all the same; false
uint16_t events_dropped(void);
#define EVENT_HOLD_MS 15
