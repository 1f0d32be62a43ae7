// SPDX-License-Identifier: MIT
#include "imu.h"
#include "dispatch.h"
#include "frame.h"
#include "handlers.h"
#include "probe.h"

#define FIRST_ADDRESS 0x08  // lower ones and those from 0x78 on are reserved by the bus specification
#define LAST_ADDRESS 0x77
#define READ_MOST 64
#define SENSOR_FIRST 0x3B   // ACCEL_XOUT_H; acceleration, temperature, rotation follow, high bytes first
#define SENSOR_BYTES 14
#define INTERVAL_LEAST_US 1000

static struct {
  bool on;
  uint8_t address;
  uint16_t n, count;
  uint32_t interval, due;
} stream;

bool imu_busy(void) { return stream.on; }

uint8_t on_twi_scan(const Request &r) {
  uint8_t lines = hw_twi_begin(((const msg_twi_scan *)r.fields)->slow);
  uint8_t status = hw_twi_probe(FIRST_ADDRESS);
  if (status == HW_TWI_REFUSED) return ERROR_PIN;
  answer_open(r);
  frame_put(&lines, 1);
  for (uint8_t a = FIRST_ADDRESS; a <= LAST_ADDRESS && status != HW_TWI_LATE; a++) {
    status = hw_twi_probe(a);
    if (status == 0) frame_put(&a, 1);
  }
  frame_close();
  return ANSWERED;
}

uint8_t on_twi_read(const Request &r) {
  const msg_twi_read &m = *(const msg_twi_read *)r.fields;
  uint8_t *data = const_cast<uint8_t *>(r.fields) + sizeof m;  // behind the request its buffer is free
  uint8_t count = m.count;
  if (count == 0 || count > READ_MOST || m.address > 0x7F) return ERROR_VALUE;
  uint8_t status = hw_twi_read(m.address, m.reg, data, count);
  if (status == HW_TWI_REFUSED) return ERROR_PIN;
  answer_open(r);
  frame_put(&status, 1);
  if (status == 0) frame_put(data, count);
  frame_close();
  return ANSWERED;
}

uint8_t on_twi_write(const Request &r) {
  const msg_twi_write &m = *(const msg_twi_write *)r.fields;
  if (m.address > 0x7F) return ERROR_VALUE;
  // the register's number stands right before the tail
  uint8_t status = hw_twi_write(m.address, &m.reg, r.size - 1);
  if (status == HW_TWI_REFUSED) return ERROR_PIN;
  in_place<msg_twi_write_answer>(r).status = status;
  return answer_in_place(r, sizeof(msg_twi_write_answer));
}

uint8_t on_imu_stream(const Request &r) {
  const msg_imu_stream &m = *(const msg_imu_stream *)r.fields;
  uint8_t data[SENSOR_BYTES];
  if (m.count == 0 || m.interval_us < INTERVAL_LEAST_US || m.address > 0x7F) return ERROR_VALUE;
  uint8_t status = hw_twi_read(m.address, SENSOR_FIRST, data, sizeof data);
  if (status) return status == HW_TWI_REFUSED ? ERROR_PIN : ERROR_PART;
  stream.on = true;
  stream.address = m.address;
  stream.n = 0;
  stream.count = m.count;
  stream.interval = m.interval_us * TICKS_PER_US;
  stream.due = hw_ticks();
  return HANDLED;
}

static void stream_end(uint8_t status) {
  stream.on = false;
  event_flush();
  send_done(MSG_IMU_STREAM, status, stream.n);
}

void imu_poll(void) {
  if (!stream.on) return;
  if (not_yet(stream.due)) return;
  uint32_t now = hw_ticks();
  uint8_t data[SENSOR_BYTES];
  if (hw_twi_read(stream.address, SENSOR_FIRST, data, sizeof data)) return stream_end(ERROR_PART);
  for (uint8_t i = 0; i < SENSOR_BYTES; i += 2) {
    uint8_t high = data[i];
    data[i] = data[i + 1];
    data[i + 1] = high;
  }
  msg_imu_rows head = {stream.n, now};
  event_row_first(MSG_IMU_ROWS, &head, sizeof head, 0, data, sizeof data);
  if (++stream.n == stream.count) return stream_end(0);
  stream.due += stream.interval;
  if ((int32_t)(now - stream.due) > 0) stream.due = now;
  wake_at(stream.due);
}
