// SPDX-License-Identifier: MIT
#include "frame.h"

// CRC-16 with polynomial 0x1021 a byte at a time without a table.
static inline __attribute__((always_inline)) uint16_t crc_step(uint16_t crc, uint8_t byte) {
  uint8_t x = (uint8_t)(crc >> 8) ^ byte;
  x ^= x >> 4;
  return (uint16_t)(crc << 8) ^ ((uint16_t)x << 12) ^ ((uint16_t)x << 5) ^ x;
}

uint16_t crc16(uint16_t crc, uint8_t byte) { return crc_step(crc, byte); }

// ---------------------------------------------------------------- receiving

static uint16_t bad_frames;

uint16_t frame_bad(void) { return bad_frames; }

void frame_reset(FrameDecoder *d) {
  d->length = 0;
  d->block = 0;
  d->zero = d->started = d->bad = false;
  d->crc = 0xFFFF;
}

static HW_APART void take(FrameDecoder *d, uint8_t byte) {
  if (d->length >= sizeof d->body) {
    d->bad = true;
    return;
  }
  d->body[d->length++] = byte;
  d->crc = crc16(d->crc, byte);
}

static uint8_t finish(FrameDecoder *d) {
  // a CRC appended high byte first leaves the remainder 0
  bool good = !d->bad && d->block == 0 && d->crc == 0 && d->length >= FRAME_HEAD + 2;
  bool empty = !d->started;
  uint8_t length = d->length;
  frame_reset(d);
  if (good) return length - 2;
  if (!empty) bad_frames++;
  return 0;
}

uint8_t frame_feed(FrameDecoder *d, uint8_t byte) {
  if (byte == 0) return finish(d);
  d->started = true;
  if (d->bad) return 0;
  if (d->block) {
    take(d, byte);
    d->block--;
    return 0;
  }
  if (d->zero) take(d, 0);
  d->block = byte - 1;
  d->zero = byte != 0xFF;
  return 0;
}

// ---------------------------------------------------------------- sending

static bool is_open;
static uint16_t out_crc;
static uint8_t code_place;
static uint8_t code;  // COBS code of the block that is being filled

// A frame is shorter than 254 bytes, so a block's code never runs over. Everything in registers: each record of a
// packet goes through here while the next packet flies.
static HW_FAST void put_coded(const uint8_t *data, uint8_t size) {
  uint8_t at = hw_tx_staged, place = code_place, block = code;
  while (size--) {
    uint8_t byte = *data++;
    if (byte) {
      hw_tx_ring[at++] = byte;
      block++;
    } else {
      hw_tx_ring[place] = block;
      place = at++;
      block = 1;
    }
  }
  hw_tx_staged = at;
  code_place = place;
  code = block;
}

HW_FAST void frame_put(const void *data, uint8_t size) {
  const uint8_t *p = (const uint8_t *)data;
  uint16_t crc = out_crc;
  for (uint8_t i = 0; i < size; i++) crc = crc_step(crc, p[i]);
  out_crc = crc;
  put_coded(p, size);
}

void frame_open(uint8_t type, uint16_t number) {
  is_open = true;
  out_crc = 0xFFFF;
  code_place = hw_uart_stage(0);
  code = 1;
  uint8_t head[FRAME_HEAD] = {type, (uint8_t)number, (uint8_t)(number >> 8)};
  frame_put(head, sizeof head);
}

void frame_close(void) {
  if (!is_open) return;
  is_open = false;
  uint8_t crc[2] = {(uint8_t)(out_crc >> 8), (uint8_t)out_crc};
  put_coded(crc, sizeof crc);
  hw_uart_patch(code_place, code);
  hw_uart_stage(0);
  hw_uart_commit();
}

// ---------------------------------------------------------------- events

static uint16_t event_number, dropped;
static uint8_t batch_type, batch_length, batch_head[8], batch_head_size;
static uint32_t batch_since;

uint16_t events_dropped(void) { return dropped; }

bool event_drop(void) {
  event_number++;
  if (dropped != 0xFFFF) dropped++;
  return false;
}

// Room for an event must leave room for an answer beside it.
static bool room(uint8_t body) { return hw_uart_room() >= (uint16_t)body + FRAME_ROOM_ANSWER + 6; }

void event_flush(void) {
  if (batch_type) frame_close();
  batch_type = 0;
}

bool event_send(uint8_t type, const void *fields, uint8_t size) {
  event_flush();
  if (!room(FRAME_HEAD + size)) return event_drop();
  frame_open(type, event_number++);
  frame_put(fields, size);
  frame_close();
  return true;
}

static bool fits_batch(uint8_t type, const void *head, uint8_t head_size, uint8_t same, uint8_t row_size) {
  if (type != batch_type || head_size != batch_head_size || batch_length + row_size > MAX_BODY) return false;
  // from `same` on the head tells of the frame's first row only, so later rows may bring another
  for (uint8_t i = 0; i < same; i++) {
    if (batch_head[i] != ((const uint8_t *)head)[i]) return false;
  }
  return true;
}

bool event_row(uint8_t type, const void *head, uint8_t head_size, const void *row, uint8_t row_size) {
  return event_row_first(type, head, head_size, head_size, row, row_size);
}

bool event_row_first(uint8_t type, const void *head, uint8_t head_size, uint8_t same, const void *row,
                     uint8_t row_size) {
  bool joins = fits_batch(type, head, head_size, same, row_size);
  if (!joins) event_flush();
  if (!room(joins ? row_size : FRAME_HEAD + head_size + row_size)) {
    event_flush();
    return event_drop();
  }
  if (!joins) {
    frame_open(type, event_number++);
    frame_put(head, head_size);
    for (uint8_t i = 0; i < head_size; i++) batch_head[i] = ((const uint8_t *)head)[i];
    batch_type = type;
    batch_head_size = head_size;
    batch_length = FRAME_HEAD + head_size;
    batch_since = hw_ticks();
  }
  frame_put(row, row_size);
  batch_length += row_size;
  if (batch_length + row_size > MAX_BODY) event_flush();  // now rather than with the next row's work on top
  return true;
}

void event_poll(uint32_t now) {
  if (batch_type && !hw_uart_diverted && now - batch_since > EVENT_HOLD_MS * TICKS_PER_MS) event_flush();
}
