// Bridge between a serial port and digital potentiometers on I2C, for boards with the usual
// "Serial" and "Wire". Each potentiometer is an AD5241 or a like one (AD5241 data sheet: address
// 0101 1 AD1 AD0, instruction byte 0, then the code; a read gives the code back).
//
// The protocol is told in docs/digipot-bridge.md. A command is carried out when its line is whole;
// its answer tells what the potentiometer itself reads back.

#include <Wire.h>

const int FIRMWARE = 1;
const int POTS = 4;
const int CODES = 256;
const int FIRST_ADDRESS = 0x2C;
const unsigned LONGEST = 16;

char line[LONGEST + 1];
unsigned used = 0;
bool tooLong = false;

// The code of a potentiometer, or -1 when it does not answer.
int readPot(int pot) {
  if (Wire.requestFrom(FIRST_ADDRESS + pot, 1) != 1) return -1;
  return Wire.read();
}

bool writePot(int pot, int code) {
  Wire.beginTransmission(FIRST_ADDRESS + pot);
  Wire.write((unsigned char)0);
  Wire.write((unsigned char)code);
  return Wire.endTransmission() == 0;
}

// A whole number without sign at `*at`, which is moved behind it; -1 when there is none.
int number(const char **at) {
  const char *from = *at;
  long value = 0;
  while (**at >= '0' && **at <= '9' && *at - from < 5) {
    value = value * 10 + (**at - '0');
    (*at)++;
  }
  return *at == from ? -1 : (int)value;
}

void error(int number, const char *text) {
  Serial.print("ERR ");
  Serial.print(number);
  Serial.print(' ');
  Serial.print(text);
  Serial.print('\n');
}

void answer(const char *word, int pot, int code) {
  Serial.print(word);
  Serial.print(' ');
  Serial.print(pot);
  Serial.print(' ');
  Serial.print(code);
  Serial.print('\n');
}

void carryOut(const char *command) {
  if (command[0] == 'I' && command[1] == 'D' && command[2] == 0) {
    Serial.print("BRIDGE ");
    Serial.print(FIRMWARE);
    Serial.print(' ');
    Serial.print(POTS);
    Serial.print(' ');
    Serial.print(CODES);
    Serial.print('\n');
    return;
  }
  const char *at = command + 1;
  bool writes = command[0] == 'W';
  if (!writes && command[0] != 'R') return error(1, "not understood");
  int pot = number(&at);
  if (pot < 0) return error(1, "not understood");
  if (pot >= POTS) return error(2, "no such potentiometer");
  if (!writes) {
    if (*at != 0) return error(1, "not understood");
    int code = readPot(pot);
    return code < 0 ? error(4, "the potentiometer does not answer") : answer("VAL", pot, code);
  }
  if (*at++ != ' ') return error(1, "not understood");
  int code = number(&at);
  if (code < 0 || *at != 0) return error(1, "not understood");
  if (code >= CODES) return error(3, "no such code");
  if (!writePot(pot, code)) return error(4, "the potentiometer does not answer");
  int found = readPot(pot);
  if (found != code) return error(5, "the potentiometer reads back another code");
  answer("OK", pot, found);
}

void setup() {
  Serial.begin(115200);
  Wire.begin();
  Serial.print("READY ");
  Serial.print(FIRMWARE);
  Serial.print('\n');
}

void loop() {
  if (Serial.available() <= 0) return;
  char c = (char)Serial.read();
  if (c == '\r') return;
  if (c != '\n') {
    if (used < LONGEST) line[used++] = c;
    else tooLong = true;
    return;
  }
  line[used] = 0;
  if (tooLong) error(1, "not understood");
  else if (used > 0) carryOut(line);
  used = 0;
  tooLong = false;
}
