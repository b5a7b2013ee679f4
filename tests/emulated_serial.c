// For `tests/package arm64`: the emulator of Debian 12 (qemu-user 7.2) does not know the calls that set a
// serial port to any speed, TCGETS2 and its sisters, so that no port can be opened under it. Here they
// become the older calls, which it knows; a pseudo-terminal has no speed. Nothing else is touched.
#include <stdarg.h>
#include <stdint.h>
#include <string.h>
#include <sys/syscall.h>
#include <unistd.h>

enum { GET = 0x5401, SET = 0x5402, GET2 = 0x802c542a, SET2 = 0x402c542b };
enum { SPEED_BITS = 0x100f, OLD_115200 = 0x1002 };

// struct termios2 of the kernel; the older struct termios is the same without the two speeds.
struct port {
  uint32_t input, output, control, local;
  uint8_t line, characters[19];
  uint32_t speed_in, speed_out;
};

int ioctl(int file, unsigned long call, ...) {
  va_list more;
  va_start(more, call);
  void *argument = va_arg(more, void *);
  va_end(more);
  if ((uint32_t)call == GET2) {
    struct port *port = argument;
    int done = (int)syscall(SYS_ioctl, file, GET, port);
    port->speed_in = port->speed_out = 115200;
    return done;
  }
  if ((uint32_t)call - SET2 <= 2) {
    struct port port;
    memcpy(&port, argument, sizeof port);
    port.control = (port.control & ~(uint32_t)SPEED_BITS) | OLD_115200;
    return (int)syscall(SYS_ioctl, file, SET + ((uint32_t)call - SET2), &port);
  }
  return (int)syscall(SYS_ioctl, file, call, argument);
}
