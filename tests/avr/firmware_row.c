/* Sends the signature and the four fuse and lock bytes. */
#include "firmware.h"
#include <avr/boot.h>
int main(void) {
    line_on();
    TCCR0B = _BV(CS00);
    TIMSK0 = _BV(TOIE0); /* interrupts must not fall into the read */
    sei();
    for (uint8_t i = 0; i < 6; i += 2) put(boot_signature_byte_get(i));
    for (uint8_t i = 0; i < 4; i++) put(boot_lock_fuse_bits_get(i));
    for (uint16_t i = 0; i < 1000; i++) if (boot_signature_byte_get(0) != 0x1E) put(0xEE);
    put(0);
    for (;;);
}
EMPTY_INTERRUPT(TIMER0_OVF_vect)
