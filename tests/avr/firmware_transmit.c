/* A ring buffer emptied by the data-register interrupt: 200 bytes as fast as the line takes them, then the end mark by
 * the transmit-complete interrupt. */
#include "firmware.h"
static volatile uint8_t next, ended;
ISR(USART_UDRE_vect) { UDR0 = next++; if (next == 200) UCSR0B = (UCSR0B & ~_BV(UDRIE0)) | _BV(TXCIE0); }
ISR(USART_TX_vect) { ended++; UCSR0B &= ~_BV(TXCIE0); UDR0 = 0xE0 + ended; }
int main(void) { line_on(); UCSR0B |= _BV(UDRIE0); sei(); for (;;); }
