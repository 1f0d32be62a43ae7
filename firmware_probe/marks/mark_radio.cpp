// SPDX-License-Identifier: MIT
// The transceiver borrowed from the sketch for a link test, and given back with every register as it was.
#include <avr/io.h>
#include "handlers.h"
#include "hw_chip.h"
#include "link.h"
#include "mark_parts.h"
#include "nrf24.h"
#include "probe.h"
#include "settings.h"

// In the order in which they are written back: FEATURE before DYNPD, which needs it; CONFIG last.
static const uint8_t kept[] HW_FLASH = {NRF_EN_AA, NRF_EN_RXADDR, NRF_SETUP_AW, NRF_SETUP_RETR, NRF_RF_CH,
                                        NRF_RF_SETUP, NRF_RX_PW_P0, NRF_FEATURE, NRF_DYNPD, NRF_CONFIG};
#define KEPT sizeof kept
#define ADDRESS_SIZE 5

static struct {
  bool away;                   // the probe has it
  bool ce, ce_out, irq_given;
  uint8_t spcr, spsr;
  uint8_t registers[KEPT], pipe0[ADDRESS_SIZE], transmit[ADDRESS_SIZE];
} mine;

uint8_t probe_taken(void) { return link_busy() ? (uint8_t)USES_RADIO : 0; }

static uint8_t reg_at(uint8_t i) {
  uint8_t reg;
  hw_flash_read(&reg, &kept[i], 1);
  return reg;
}

static void borrow(void) {
  if (mine.away) return;
  mine.away = true;
  uint8_t ce = settings.pins[FUNCTION_RADIO_CE];
  mine.ce = hw_pin_exists(ce) && (HW_PORT(ce)[HW_OUT] & HW_MASK(ce));
  mine.spcr = SPCR;
  mine.spsr = SPSR & _BV(SPI2X);
  hw_spi_bind(settings.pins[FUNCTION_RADIO_CSN], ce, settings.radio_spi_slow);
  for (uint8_t i = 0; i < KEPT; i++) mine.registers[i] = nrf_read(reg_at(i));
  nrf_write(NRF_SETUP_AW, ADDRESS_SIZE - 2);  // or a shorter address hides its upper bytes
  hw_spi_fetch(NRF_R_REGISTER | NRF_RX_ADDR_P0, mine.pipe0, ADDRESS_SIZE);
  hw_spi_fetch(NRF_R_REGISTER | NRF_TX_ADDR, mine.transmit, ADDRESS_SIZE);
  hw_radio_irq_bind(settings.pins[FUNCTION_RADIO_IRQ]);
}

void mark_radio_back(void) {
  if (!mine.away || link_busy()) return;
  mine.away = false;
  hw_radio_irq_bind(NO_PIN);
  hw_ce(false);
  nrf_command(NRF_FLUSH_TX);
  nrf_command(NRF_FLUSH_RX);
  nrf_clear_flags();
  nrf_write(NRF_SETUP_AW, ADDRESS_SIZE - 2);
  hw_spi_send(NRF_W_REGISTER | NRF_RX_ADDR_P0, mine.pipe0, ADDRESS_SIZE);
  hw_spi_send(NRF_W_REGISTER | NRF_TX_ADDR, mine.transmit, ADDRESS_SIZE);
  for (uint8_t i = 0; i < KEPT; i++) nrf_write(reg_at(i), mine.registers[i]);
  hw_ce(mine.ce);
  SPCR = mine.spcr;
  SPSR = mine.spsr;
}

uint8_t on_borrowed_apply(const Request &r) {
  if (link_busy()) return ERROR_BUSY;
  borrow();
  if (!nrf_present()) {
    mark_radio_back();
    return ERROR_PART;
  }
  msg_radio_apply_answer a = {0, nrf_apply()};
  a.status = nrf_command(NRF_NOP);
  mark_radio_back();
  answer(r, &a, sizeof a);
  return ANSWERED;
}

uint8_t on_borrowed_link(const Request &r) {
  if (link_busy()) return ERROR_BUSY;
  borrow();
  return on_link_start(r);  // where it refuses, the next poll gives the transceiver back
}
