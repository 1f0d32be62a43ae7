// SPDX-License-Identifier: MIT
// The guard: the only way to a pulse above idle on a motor controller. Read it in one sitting.
//
// Rules, each enforced here and nowhere else:
//  1. After a start everything is idle; nothing of an earlier life counts.
//  2. Armed only by a challenge that is at most 5 s old, used once, answered with its nonce and the board's own label.
//  3. Above idle only while armed, with a throttle request at most 250 ms old, strictly rising numbers, at most the
//     cap, and rising no faster than the slew limit.
//  4. With the radio as a condition - asked for when arming, or because the control loop runs - also only while
//     control packets come in within the silence limit.
//  5. When anything goes, the width is idle from the next pulse on, and stays so until armed anew.
//  6. Rules 3 and 4 and a stuck main loop are watched by guard_tick, which the millisecond interrupt calls.
//
// No register, no clock: ticks of 0.5 us are passed in. All calls must be made with interrupts held, but for
// tick, which is the millisecond interrupt's.
#pragma once
#include "catalogue.h"

#define GUARD_CHALLENGE_MS 5000
#define GUARD_KEEP_ALIVE_MS 250
#define GUARD_LOOP_MS 100
#define GUARD_CAP_MOST 300  // permille, whatever the settings say

struct GuardRules {
  uint16_t cap_permille, slew_permille_s, idle_us, full_us, silence_ms;
};

// A pulse width for a motor controller. Only the guard can make one, so only the guard can set one.
class MotorWidth {
 public:
  uint16_t ticks() const { return ticks_; }

 private:
  explicit MotorWidth(uint16_t ticks) : ticks_(ticks) {}
  uint16_t ticks_;
  friend struct Guard;
};
// Supplied by the pulse outputs: what channel 1 to 6 delivers from its next pulse on.
void guard_output(uint8_t channel, MotorWidth width);

struct GuardChange {
  uint8_t state, reason;
  uint32_t at;
  uint16_t width_us;
};

struct Guard {
  void start(uint32_t now);
  // Other rules, other wiring: idle on all motor channels (bit 0 is channel 1).
  void configure(const GuardRules &rules, uint8_t motor_channels, uint32_t now);

  uint32_t challenge(uint8_t channel, bool radio, uint32_t entropy, uint32_t now);  // the nonce, 0: refused
  bool arm(uint8_t channel, uint32_t nonce, const char *label, const char *own_label, uint32_t now);
  bool throttle(uint8_t channel, uint16_t permille, uint16_t number, uint32_t now);
  void drop(uint8_t reason, uint32_t now);  // to idle, disarmed
  void control_packet(uint32_t now);        // the radio has brought one
  void control_link(bool on);               // while the control loop runs, the radio is a condition of any arming
  void loop_alive(uint32_t now);            // the main loop has come round
  void tick(uint32_t now);                  // every millisecond

  uint8_t state() const { return state_; }
  uint8_t reason() const { return reason_; }
  bool armed() const { return state_ >= GUARD_STATE_ARMED; }
  uint16_t width_us() const;
  uint32_t age(uint32_t now) const { return now - throttle_at_; }        // ticks since the last throttle request
  uint32_t radio_age(uint32_t now) const { return now - radio_at_; }     // ticks since the last control packet
  bool take_change(GuardChange *change);

 private:
  void enter(uint8_t state, uint8_t reason, uint32_t now);
  uint16_t ticks() const;
  void put_out();
  void expire(uint32_t now);
  void rest(uint32_t now);

  GuardRules rules_;
  uint8_t motors_, state_, reason_, channel_;
  bool radio_, link_on_, changed_;
  uint32_t nonce_, challenged_at_, throttle_at_, radio_at_, loop_at_, ticked_at_;
  uint16_t number_;
  uint16_t span_;     // ticks from idle to full
  uint32_t step_;     // slew a millisecond, ticks times 65536
  uint32_t target_;   // above idle, as asked for, ticks times 65536
  uint32_t present_;  // the same, as slewed
  GuardChange change_;
};
extern Guard guard;
