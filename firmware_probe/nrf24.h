// SPDX-License-Identifier: MIT
// The transceiver at register level. Both boards use one address on pipe 0 for both directions; on the air it is the
// setting radio_address above the fixed lowest byte 0xC7 (SPI order: C7, then the setting's bytes, lowest first).
#pragma once
#include "catalogue.h"
#include "hw.h"
#include "nrf24_registers.h"

uint8_t nrf_command(uint8_t command);                    // returns STATUS, as all of these
uint8_t nrf_read(uint8_t reg);                           // returns the register
uint8_t nrf_write(uint8_t reg, uint8_t value);           // returns STATUS before the write
void nrf_upload(const uint8_t *payload, uint8_t size, bool no_ack);
uint8_t nrf_download(uint8_t *payload);                  // size, 0 when there was none
uint8_t nrf_finish(uint8_t *observe);                    // the same after a transmission, with OBSERVE_TX
uint8_t nrf_clear_flags(void);                           // returns STATUS as it was

// Something has happened since the last call, and when: by the IRQ line where the settings name one, else STATUS is
// looked at in every turn, and the time is that of the look.
HW_APART bool nrf_looked(uint32_t *at);
bool nrf_event(uint32_t *at);
void nrf_expect(void);       // nothing has happened so far; what comes is awaited from now on
uint16_t nrf_stamps_late(void);  // ticks: the longest time between two looks since nrf_apply; 0 with the IRQ line

// Everything from the settings, powered up, flushed, as a sender in standby; returns how many registers read back
// other than written. The oscillator may still be starting for NRF_START_MS.
uint8_t nrf_apply(void);
#define NRF_START_MS 5       // 4.5 ms for the slowest crystals (table 16)
bool nrf_starting(void);
void nrf_fixed_length(uint8_t size);  // payload length where there is no CRC and so no dynamic length
bool nrf_needs_fixed_length(void);
void nrf_listen(void);       // receiver, CE high
void nrf_sender(void);       // sender, CE low
void nrf_give_up(void);      // what waits to be sent is dropped, flags cleared
void nrf_quiet(void);        // sender, CE low, nothing waits in either direction
void nrf_power(uint8_t code);  // RF_PWR, 0 to 3, until the next nrf_apply
void nrf_burst_upload(void);  // one 32-byte packet without acknowledgement
void nrf_burst(void);        // uploaded and sent
bool nrf_present(void);      // STATUS can come from a working chip
void nrf_pulse(void);        // CE high for the 10 us that start one transmission
void nrf_forget(void);       // raw SPI has been used: what the chip holds is no longer known

extern uint8_t nrf_buffer[NRF_PAYLOAD_MAX];  // for whoever has the transceiver
bool nrf_good(void);         // set up, and at the last look still as written
bool nrf_listening(void);    // set up as a receiver
// Look whether the chip still holds what was written; reports and counts a difference.
void nrf_check(void);
