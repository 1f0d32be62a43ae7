/* Says why it started and hangs with the watchdog on: at 30 ms, after a watchdog reset at 0.125 s, in the way in which
 * boot loaders set it, without WDR. */
#include "firmware.h"
int main(void) {
    uint8_t cause = MCUSR;
    MCUSR = 0;
    uint8_t period = cause & _BV(WDRF) ? _BV(WDE) | _BV(WDP1) | _BV(WDP0) : _BV(WDE) | _BV(WDP0);
    asm volatile("sts %0, %1\n sts %0, %2" ::"n"(_SFR_MEM_ADDR(WDTCSR)), "r"((uint8_t)(_BV(WDCE) | _BV(WDE))), "r"(period));
    line_on();
    put(cause);
    for (;;);
}
