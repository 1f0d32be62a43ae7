// SPDX-License-Identifier: MIT
// Names of the nRF24L01+ Product Specification v1.0: registers (table 28), commands (table 20), bits.
#pragma once

#define NRF_CONFIG 0x00
#define NRF_EN_AA 0x01
#define NRF_EN_RXADDR 0x02
#define NRF_SETUP_AW 0x03
#define NRF_SETUP_RETR 0x04
#define NRF_RF_CH 0x05
#define NRF_RF_SETUP 0x06
#define NRF_STATUS 0x07
#define NRF_OBSERVE_TX 0x08
#define NRF_RPD 0x09
#define NRF_RX_ADDR_P0 0x0A
#define NRF_TX_ADDR 0x10
#define NRF_RX_PW_P0 0x11
#define NRF_FIFO_STATUS 0x17
#define NRF_DYNPD 0x1C
#define NRF_FEATURE 0x1D

#define NRF_R_REGISTER 0x00
#define NRF_W_REGISTER 0x20
#define NRF_R_RX_PL_WID 0x60
#define NRF_R_RX_PAYLOAD 0x61
#define NRF_W_TX_PAYLOAD 0xA0
#define NRF_W_ACK_PAYLOAD 0xA8
#define NRF_W_TX_PAYLOAD_NOACK 0xB0
#define NRF_FLUSH_TX 0xE1
#define NRF_FLUSH_RX 0xE2
#define NRF_NOP 0xFF

// CONFIG
#define NRF_EN_CRC 0x08
#define NRF_CRCO 0x04
#define NRF_PWR_UP 0x02
#define NRF_PRIM_RX 0x01
// STATUS
#define NRF_RX_DR 0x40
#define NRF_TX_DS 0x20
#define NRF_MAX_RT 0x10
#define NRF_RX_P_NO 0x0E
#define NRF_RX_EMPTY_P_NO 0x0E
// RF_SETUP
#define NRF_RF_DR_LOW 0x20
#define NRF_RF_DR_HIGH 0x08
// FIFO_STATUS
#define NRF_FIFO_RX_EMPTY 0x01
#define NRF_FIFO_TX_EMPTY 0x10
// FEATURE
#define NRF_EN_DPL 0x04
#define NRF_EN_ACK_PAY 0x02
#define NRF_EN_DYN_ACK 0x01

#define NRF_PAYLOAD_MAX 32
