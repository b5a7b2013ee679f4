/* Sketch of a sensor node: four jars, a thermistor in a divider and a pulse meter each. Written for
 * boards with an ATmega328P; change pins and names, nothing else.
 *
 * Divider: reference resistor (10 kOhm, 0.1 %) from the analogue reference to the pin, thermistor
 * from the pin to ground. Pulse meters: open collector to the pin, pull-up inside.
 * Low voltage only, from a listed supply; see the cautions in RUNBOOK.md.
 *
 * At the station, for each thermistor:  [[sensor]] id = "J01T", signal = thermistor with
 * reference-ohm = 10000, full-scale = 16368 (1023 times 16 samples), thermistor-low = true
 * and for each meter: pulses-per-litre from the bucket and the watch, interval = "10s". */
#include <avr/wdt.h>
#include "frame.h"

const uint8_t JARS = 4;
const char *TEMPERATURE[JARS] = {"J01T", "J02T", "J03T", "J04T"};
const char *FLOW[JARS] = {"J01F", "J02F", "J03F", "J04F"};
const uint8_t THERMISTOR[JARS] = {A0, A1, A2, A3};
const uint8_t METER[JARS] = {4, 5, 6, 7}; /* all on port D: one interrupt */
const uint32_t EVERY_MS = 10000;

volatile uint32_t pulses[JARS];
volatile uint8_t before;

ISR(PCINT2_vect) {
  uint8_t now = PIND;
  uint8_t fallen = before & ~now;
  before = now;
  for (uint8_t jar = 0; jar < JARS; jar++)
    if (fallen & (1 << METER[jar])) pulses[jar]++;
}

void setup() {
  Serial.begin(115200);
  for (uint8_t jar = 0; jar < JARS; jar++) pinMode(METER[jar], INPUT_PULLUP);
  before = PIND;
  PCMSK2 |= (1 << 4) | (1 << 5) | (1 << 6) | (1 << 7);
  PCICR |= 1 << PCIE2;
  wdt_enable(WDTO_8S); /* a node that hangs starts again */
}

uint32_t counts(uint8_t pin) {
  uint32_t sum = 0;
  analogRead(pin); /* the first conversion after a change of channel is thrown away */
  for (uint8_t n = 0; n < 16; n++) sum += analogRead(pin);
  return sum;
}

void loop() {
  static uint32_t last = 0;
  wdt_reset();
  if (millis() - last < EVERY_MS) return;
  last += EVERY_MS;
  uint32_t taken[JARS];
  noInterrupts();
  for (uint8_t jar = 0; jar < JARS; jar++) { taken[jar] = pulses[jar]; pulses[jar] = 0; }
  interrupts();
  struct frame f;
  frame_begin(&f);
  for (uint8_t jar = 0; jar < JARS; jar++) {
    frame_count(&f, TEMPERATURE[jar], counts(THERMISTOR[jar]));
    frame_count(&f, FLOW[jar], taken[jar]);
  }
  if (frame_end(&f)) Serial.print(f.text);
}
