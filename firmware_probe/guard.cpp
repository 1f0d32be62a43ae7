// SPDX-License-Identifier: MIT
#include "guard.h"
#include <string.h>

#define TICKS_A_MS 2000UL
#define LABEL_SIZE 16

Guard guard;

static bool older(uint32_t now, uint32_t then, uint32_t ms) { return now - then > ms * TICKS_A_MS; }

void Guard::start(uint32_t now) {
  memset(this, 0, sizeof *this);
  ticked_at_ = now;
  loop_at_ = now;
}

// Widths above idle are kept as ticks times 65536, and divisions stay out of the millisecond interrupt.
void Guard::configure(const GuardRules &rules, uint8_t motor_channels, uint32_t now) {
  if (state_ != GUARD_STATE_IDLE) drop(GUARD_REASON_SETTINGS, now);
  rules_ = rules;
  motors_ = motor_channels;
  span_ = rules.full_us > rules.idle_us ? 2 * (rules.full_us - rules.idle_us) : 0;
  step_ = (uint32_t)span_ * rules.slew_permille_s / 125 * 8192 / 1000;
  put_out();
}

// ---------------------------------------------------------------- the width

uint16_t Guard::ticks() const {
  uint16_t idle = 2 * rules_.idle_us;
  return state_ == GUARD_STATE_LIVE ? idle + (uint16_t)(present_ >> 16) : idle;
}

uint16_t Guard::width_us() const { return ticks() / 2; }

void Guard::put_out() {
  for (uint8_t channel = 1, left = motors_; left; channel++, left >>= 1) {
    if (!(left & 1)) continue;
    bool live = state_ == GUARD_STATE_LIVE && channel == channel_;
    guard_output(channel, MotorWidth(live ? ticks() : 2 * rules_.idle_us));
  }
}

// ---------------------------------------------------------------- states

void Guard::enter(uint8_t state, uint8_t reason, uint32_t now) {
  bool told = state != state_ || (state == GUARD_STATE_IDLE && reason != reason_);
  state_ = state;
  reason_ = reason;
  if (state != GUARD_STATE_LIVE) present_ = 0;
  put_out();
  if (!told) return;
  change_.state = state;
  change_.reason = reason;
  change_.at = now;
  change_.width_us = width_us();
  changed_ = true;
}

void Guard::drop(uint8_t reason, uint32_t now) {
  nonce_ = 0;
  target_ = 0;
  enter(GUARD_STATE_IDLE, reason, now);
}

bool Guard::take_change(GuardChange *change) {
  if (!changed_) return false;
  *change = change_;
  changed_ = false;
  return true;
}

// ---------------------------------------------------------------- arming

static __attribute__((noinline)) uint32_t mixed(uint32_t x) {  // xorshift; never 0 from anything but 0
  x ^= x << 13;
  x ^= x >> 17;
  return x ^ x << 5;
}

uint32_t Guard::challenge(uint8_t channel, bool radio, uint32_t entropy, uint32_t now) {
  if (armed() || channel < 1 || channel > 6 || !(motors_ & (1 << (channel - 1)))) return 0;
  channel_ = channel;
  radio_ = radio || link_on_;
  challenged_at_ = now;
  nonce_ = mixed(mixed(entropy ^ now) + challenged_at_ * 2654435761UL) | 1;
  enter(GUARD_STATE_CHALLENGED, reason_, now);
  return nonce_;
}

bool Guard::arm(uint8_t channel, uint32_t nonce, const char *label, const char *own_label, uint32_t now) {
  if (armed()) return false;  // already; nothing changes
  bool right = state_ == GUARD_STATE_CHALLENGED && !older(now, challenged_at_, GUARD_CHALLENGE_MS) &&
               channel == channel_ && nonce_ != 0 && nonce == nonce_ && own_label[0] != 0 &&
               memcmp(label, own_label, LABEL_SIZE) == 0;
  nonce_ = 0;  // used up, right or wrong
  if (!right) {
    drop(GUARD_REASON_BAD_ARM, now);
    return false;
  }
  target_ = 0;
  number_ = 0;
  throttle_at_ = radio_at_ = loop_at_ = now;
  enter(GUARD_STATE_ARMED, reason_, now);
  return true;
}

bool Guard::throttle(uint8_t channel, uint16_t permille, uint16_t number, uint32_t now) {
  if (!armed()) return false;
  expire(now);
  if (!armed()) return false;
  uint16_t cap = rules_.cap_permille < GUARD_CAP_MOST ? rules_.cap_permille : GUARD_CAP_MOST;
  if (channel != channel_ || number <= number_ || permille > cap) {
    drop(GUARD_REASON_REFUSED, now);
    return false;
  }
  number_ = number;
  throttle_at_ = now;
  target_ = (uint32_t)span_ * (uint16_t)(permille * 67109UL >> 10);  // 65.536 a permille
  if (present_ > target_) {  // down at once
    present_ = target_;
    put_out();
  }
  if (permille && state_ == GUARD_STATE_ARMED) enter(GUARD_STATE_LIVE, reason_, now);
  if (permille == 0 && state_ == GUARD_STATE_LIVE) enter(GUARD_STATE_ARMED, reason_, now);
  return true;
}

// ---------------------------------------------------------------- what ends it

void Guard::control_packet(uint32_t now) { radio_at_ = now; }

void Guard::control_link(bool on) {
  link_on_ = on;
  if (on && armed()) radio_ = true;
}

void Guard::loop_alive(uint32_t now) { loop_at_ = now; }

void Guard::expire(uint32_t now) {
  if (older(now, throttle_at_, GUARD_KEEP_ALIVE_MS)) {
    drop(GUARD_REASON_KEEP_ALIVE, now);
  } else if (radio_ && older(now, radio_at_, rules_.silence_ms)) {
    drop(GUARD_REASON_SILENCE, now);
  } else if (older(now, loop_at_, GUARD_LOOP_MS)) {
    drop(GUARD_REASON_LOOP_STALL, now);
  }
}

// While nothing is armed: a challenge ends, and ages stay readable when the clock wraps: after 30 s a time is "long ago".
void Guard::rest(uint32_t now) {
  if (state_ == GUARD_STATE_CHALLENGED && older(now, challenged_at_, GUARD_CHALLENGE_MS)) {
    nonce_ = 0;
    enter(GUARD_STATE_IDLE, reason_, now);
  }
  if (older(now, radio_at_, 30000)) radio_at_ = now - 30001 * TICKS_A_MS;
  if (older(now, throttle_at_, 30000)) throttle_at_ = now - 30001 * TICKS_A_MS;
}

// Bytes come in every 20 us meanwhile and the receiver holds two, so this has to be short.
// The slew limit counts real milliseconds, so a late tick does not slow it and an early one does not speed it up.
void Guard::tick(uint32_t now) {
  if (armed()) {
    expire(now);
  } else {
    rest(now);
  }
  uint8_t ms = 0;
  for (; now - ticked_at_ >= TICKS_A_MS && ms < 20; ms++) ticked_at_ += TICKS_A_MS;
  if (now - ticked_at_ >= TICKS_A_MS) ticked_at_ = now;
  if (state_ != GUARD_STATE_LIVE || present_ == target_) return;
  while (ms--) present_ += step_;
  if (present_ > target_) present_ = target_;
  guard_output(channel_, MotorWidth(ticks()));  // the others are at idle already
}
