// SPDX-License-Identifier: MIT
#include "nrf24.h"
#include <string.h>
#include "frame.h"
#include "hw.h"
#include "life.h"
#include "probe.h"
#include "settings.h"

#define ADDRESS_SIZE 5

uint8_t nrf_buffer[NRF_PAYLOAD_MAX];
static bool applied, good;
static uint8_t config;       // as last written
static uint8_t fixed_length;
static uint32_t up_at;      // power came on
static uint32_t looked_at;
static uint16_t stamps_late;

// ---------------------------------------------------------------- transactions

uint8_t nrf_command(uint8_t command) { return hw_spi_send(command, nullptr, 0); }

uint8_t nrf_read(uint8_t reg) {
  uint8_t value;
  hw_spi_two(NRF_R_REGISTER | reg, NRF_NOP, &value);
  return value;
}

uint8_t nrf_write(uint8_t reg, uint8_t value) {
  uint8_t ignored;
  return hw_spi_two(NRF_W_REGISTER | reg, value, &ignored);
}

void nrf_upload(const uint8_t *payload, uint8_t size, bool no_ack) {
  hw_spi_send(no_ack ? NRF_W_TX_PAYLOAD_NOACK : NRF_W_TX_PAYLOAD, payload, size);
}

static uint8_t waiting_width(void) {
  if (nrf_needs_fixed_length()) return fixed_length;
  uint8_t size;
  hw_spi_two(NRF_R_RX_PL_WID, NRF_NOP, &size);
  return size;
}

HW_FAST uint8_t nrf_download(uint8_t *payload) {
  uint8_t size = waiting_width();
  if (size == 0 || size > NRF_PAYLOAD_MAX) {  // a width above 32 is damage: flush (section 8.3)
    if (size > NRF_PAYLOAD_MAX) nrf_command(NRF_FLUSH_RX);
    return 0;
  }
  hw_spi_fetch(NRF_R_RX_PAYLOAD, payload, size);
  return size;
}

uint8_t nrf_clear_flags(void) { return nrf_write(NRF_STATUS, NRF_RX_DR | NRF_TX_DS | NRF_MAX_RT); }

HW_FAST uint8_t nrf_finish(uint8_t *observe) {
  uint8_t ignored;
  uint8_t status = hw_spi_two(NRF_W_REGISTER | NRF_STATUS, NRF_RX_DR | NRF_TX_DS | NRF_MAX_RT, &ignored);
  hw_spi_two(NRF_R_REGISTER | NRF_OBSERVE_TX, NRF_NOP, observe);
  return status;
}

// ---------------------------------------------------------------- events

void nrf_expect(void) { looked_at = hw_ticks(); }

uint16_t nrf_stamps_late(void) { return stamps_late; }

bool nrf_looked(uint32_t *at) {
  uint32_t now = *at = hw_ticks();
  if (settings.pins[FUNCTION_RADIO_IRQ] != NO_PIN) return hw_radio_irq_low();
  uint32_t gap = now - looked_at;
  looked_at = now;
  if (gap > stamps_late) stamps_late = gap > 0xFFFF ? 0xFFFF : gap;
  wake_at(now);
  return nrf_command(NRF_NOP) & (NRF_RX_DR | NRF_TX_DS | NRF_MAX_RT);
}

bool nrf_event(uint32_t *at) { return hw_radio_irq_take(at) || nrf_looked(at); }

// ---------------------------------------------------------------- settings to registers

bool nrf_needs_fixed_length(void) { return settings.radio_crc == 0; }

static uint8_t rf_setup(void) {
  uint8_t rate = settings.radio_rate == 0 ? NRF_RF_DR_LOW : settings.radio_rate == 1 ? 0 : NRF_RF_DR_HIGH;
  return rate | (uint8_t)(settings.radio_power << 1);
}

// The shortest legal delay for an empty acknowledgement: 500 us at 250 kbps, 250 us else (table 18).
static uint8_t setup_retr(void) {
  uint8_t least = settings.radio_rate == 0 ? 1 : 0;
  uint8_t delay = settings.radio_retry_delay < least ? least : settings.radio_retry_delay;
  return (uint8_t)(delay << 4) | settings.radio_retry_count;
}

static uint8_t crc_bits(void) {
  if (settings.radio_crc == 0) return 0;
  return settings.radio_crc == 1 ? NRF_EN_CRC : NRF_EN_CRC | NRF_CRCO;
}

// Acknowledgement, and with it dynamic length, needs a CRC (table 28). Cases in the order of the registers.
static uint8_t wanted(uint8_t reg) {
  bool plain = nrf_needs_fixed_length();
  switch (reg) {
    case NRF_CONFIG: return config;
    case NRF_EN_AA: return plain ? 0 : 1;
    case NRF_EN_RXADDR: return 1;
    case NRF_SETUP_AW: return ADDRESS_SIZE - 2;
    case NRF_SETUP_RETR: return setup_retr();
    case NRF_RF_CH: return settings.radio_channel;
    case NRF_RF_SETUP: return rf_setup();
    case NRF_RX_PW_P0: return plain ? fixed_length : 0;
    case NRF_DYNPD: return plain ? 0 : 1;
    default: return plain ? NRF_EN_DYN_ACK : NRF_EN_DPL | NRF_EN_ACK_PAY | NRF_EN_DYN_ACK;  // FEATURE
  }
}

// FEATURE before DYNPD, which needs it; CONFIG last. The first ones are looked at by nrf_check one a call.
static const uint8_t kept[] HW_FLASH = {NRF_EN_AA, NRF_EN_RXADDR, NRF_SETUP_AW, NRF_SETUP_RETR, NRF_RF_CH,
                                        NRF_RF_SETUP, NRF_RX_PW_P0, NRF_FEATURE, NRF_DYNPD, NRF_CONFIG};
#define KEPT sizeof kept

// In force when written: later changes of the settings wait for the next nrf_apply.
static uint8_t held[KEPT];
static uint8_t held_address[ADDRESS_SIZE];

static uint8_t reg_at(uint8_t i) {
  uint8_t reg;
  hw_flash_read(&reg, &kept[i], 1);
  return reg;
}

static bool same(uint8_t reg, uint8_t found, uint8_t expected) {
  if (reg == NRF_RF_SETUP) return ((found ^ expected) & 0xFE) == 0;  // bit 0 is "don't care"
  return found == expected;
}

static void write_address(uint8_t reg) {
  hw_spi_send(NRF_W_REGISTER | reg, held_address, ADDRESS_SIZE);
}

static uint8_t address_wrong(uint8_t reg) {
  uint8_t found[ADDRESS_SIZE], wrong = 0;
  hw_spi_fetch(NRF_R_REGISTER | reg, found, ADDRESS_SIZE);
  for (uint8_t i = 0; i < ADDRESS_SIZE; i++) wrong |= found[i] ^ held_address[i];
  return wrong;
}

static void write_all(void) {
  if (!good) up_at = hw_ticks();
  for (uint8_t i = 0; i < KEPT; i++) nrf_write(reg_at(i), held[i]);
  write_address(NRF_RX_ADDR_P0);
  write_address(NRF_TX_ADDR);
  nrf_command(NRF_FLUSH_RX);
  nrf_give_up();
}

uint8_t nrf_apply(void) {
  hw_ce(false);
  config = crc_bits() | NRF_PWR_UP;
  for (uint8_t i = 0; i < KEPT; i++) held[i] = wanted(reg_at(i));
  held_address[0] = ADDRESS_LOW;
  memcpy(held_address + 1, &settings.radio_address, ADDRESS_SIZE - 1);
  write_all();
  uint8_t wrong = 0;
  for (uint8_t i = 0; i < KEPT; i++) wrong += !same(reg_at(i), nrf_read(reg_at(i)), held[i]);
  wrong += address_wrong(NRF_RX_ADDR_P0) != 0;
  wrong += address_wrong(NRF_TX_ADDR) != 0;
  applied = true;
  good = wrong == 0;
  stamps_late = 0;
  hw_radio_irq_take(&looked_at);  // what was before does not count
  nrf_expect();
  return wrong;
}

bool nrf_starting(void) {
  if (hw_ticks() - up_at >= NRF_START_MS * TICKS_PER_MS) return false;
  wake_at(up_at + NRF_START_MS * TICKS_PER_MS);
  return true;
}

void nrf_fixed_length(uint8_t size) { fixed_length = size; }
void nrf_forget(void) { applied = good = false; }
bool nrf_good(void) { return applied && good; }
bool nrf_listening(void) { return applied && (config & NRF_PRIM_RX); }

// ---------------------------------------------------------------- roles

static void set_config(uint8_t value) {
  config = value;
  held[KEPT - 1] = value;
  nrf_write(NRF_CONFIG, value);
}

void nrf_listen(void) {
  set_config(config | NRF_PRIM_RX);
  hw_ce(true);
  nrf_expect();
}

void nrf_sender(void) {
  hw_ce(false);
  set_config(config & (uint8_t)~NRF_PRIM_RX);
}

void nrf_give_up(void) {
  nrf_command(NRF_FLUSH_TX);
  nrf_clear_flags();
}

void nrf_quiet(void) {
  nrf_sender();
  nrf_command(NRF_FLUSH_RX);
  nrf_give_up();
}

void nrf_pulse(void) {
  hw_ce(true);
  hw_wait_us(11);
  hw_ce(false);
}

// RF_SETUP may be written in standby only, which is where a sender is between packets.
#define HELD_RF_SETUP 5
void nrf_power(uint8_t code) {
  held[HELD_RF_SETUP] = (held[HELD_RF_SETUP] & 0xF9) | (uint8_t)(code << 1);
  nrf_write(NRF_RF_SETUP, held[HELD_RF_SETUP]);
}

void nrf_burst_upload(void) {
  memset(nrf_buffer, 0xA5, sizeof nrf_buffer);
  nrf_upload(nrf_buffer, sizeof nrf_buffer, true);
}

void nrf_burst(void) {
  nrf_burst_upload();
  nrf_pulse();
}

// STATUS bit 7 is always 0, and "pipe 6" does not exist (table 28).
bool nrf_present(void) {
  uint8_t status = nrf_command(NRF_NOP);
  return !(status & 0x80) && (status & NRF_RX_P_NO) != 0x0C;
}

// ---------------------------------------------------------------- does it still hold?

static void lost(uint8_t reg, uint8_t found, uint8_t expected) {
  uint8_t held_irq = hw_hold();
  if (life.radio_losses != 0xFFFF) life.radio_losses++;
  hw_release(held_irq);
  msg_radio_lost body = {hw_ticks(), reg, found, expected};
  event_send(MSG_RADIO_LOST, &body, sizeof body);
  write_all();
}

// Reading is legal while listening. A chip that lost its supply holds the reset values, so any one register that
// was written with another value gives it away; a chip that is not there at all is reported once.
void nrf_check(void) {
  if (!applied) return;
  for (uint8_t i = 0; i < KEPT; i++) {
    uint8_t reg = reg_at(i), found = nrf_read(reg);
    if (same(reg, found, held[i])) continue;
    bool first = good;
    good = false;
    if (first) {
      bool listening = held[KEPT - 1] & NRF_PRIM_RX;
      hw_ce(false);
      lost(reg, found, held[i]);
      if (listening) hw_ce(true);
    } else {
      hw_ce(false);
      write_all();
      if (held[KEPT - 1] & NRF_PRIM_RX) hw_ce(true);
    }
    return;
  }
  good = true;
}
