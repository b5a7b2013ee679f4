/* Writes XDR sentences with checksum for Nightjar's serial source. Plain C, no allocation: the same
 * file runs on the node and in the tests of the station's decoder.
 *
 * Raw counts travel; the station turns them into degrees and litres, so that a calibration needs no
 * new firmware. Type G (generic), no unit: `G,<number>,,<name>`. */
#ifndef NIGHTJAR_NODE_FRAME_H
#define NIGHTJAR_NODE_FRAME_H

#include <stdint.h>
#include <stddef.h>

/* One sentence stays below 200 characters, far under the 1,024 that the station reads. */
#define FRAME_SIZE 200

struct frame {
  char text[FRAME_SIZE];
  size_t length;
  uint8_t sum;
  uint8_t full;
};

static void frame_char(struct frame *f, char c) {
  /* Room for "*hh\r\n" and the final zero is kept. */
  if (f->length + 6 >= FRAME_SIZE) { f->full = 1; return; }
  f->text[f->length++] = c;
  f->sum ^= (uint8_t)c;
}

static void frame_text(struct frame *f, const char *s) {
  while (*s) frame_char(f, *s++);
}

static void frame_number(struct frame *f, uint32_t n) {
  char digits[10];
  uint8_t count = 0;
  do { digits[count++] = (char)('0' + n % 10); n /= 10; } while (n);
  while (count) frame_char(f, digits[--count]);
}

static void frame_begin(struct frame *f) {
  f->length = 0;
  f->full = 0;
  f->sum = 0;
  frame_char(f, '$');
  f->sum = 0; /* the checksum is over what stands between $ and * */
  frame_text(f, "NJXDR");
}

static void frame_count(struct frame *f, const char *name, uint32_t n) {
  frame_text(f, ",G,");
  frame_number(f, n);
  frame_text(f, ",,");
  frame_text(f, name);
}

/* Ends the sentence. Returns 0 when something did not fit: send nothing then. */
static int frame_end(struct frame *f) {
  static const char hex[] = "0123456789ABCDEF";
  uint8_t sum = f->sum;
  if (f->full) return 0;
  f->text[f->length++] = '*';
  f->text[f->length++] = hex[sum >> 4];
  f->text[f->length++] = hex[sum & 15];
  f->text[f->length++] = '\r';
  f->text[f->length++] = '\n';
  f->text[f->length] = 0;
  return 1;
}

#endif
