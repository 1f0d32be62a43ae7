/* Takes an address and a byte: stores it, waits, sends the ticks of 4 µs that it took and what is read back. */
#include "firmware.h"
#include <avr/eeprom.h>
int main(void) {
    line_on();
    TCCR1B = _BV(CS11) | _BV(CS10);
    for (;;) {
        uint8_t address = get(), v = get();
        uint16_t start = TCNT1;
        eeprom_write_byte((uint8_t *)(uint16_t)address, v);
        eeprom_busy_wait();
        put16(TCNT1 - start);
        put(eeprom_read_byte((uint8_t *)(uint16_t)address));
    }
}
