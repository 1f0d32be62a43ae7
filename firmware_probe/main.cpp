// SPDX-License-Identifier: MIT
// Only for the Makefile's build; the usual IDE brings its own main, and defines ARDUINO.
#ifndef ARDUINO
void setup();
void loop();

int main() {
  setup();
  for (;;) loop();
}
#endif
