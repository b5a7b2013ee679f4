"""A GSM modem on a pseudo-terminal, by 3GPP TS 27.005 (commands), 23.040 (units) and 23.038 (letters).

    modem.py LINK FOLDER     makes LINK; each text it is given becomes a line "NUMBER<tab>TEXT" of FOLDER/sent;
                             a line "NUMBER<tab>TEXT" written to FOLDER/say comes in as a text of that phone

It knows nothing of the program that talks to it.
"""
import os
import sys
import termios
import time
import tty

# 23.038, 6.2.1: the letters of the default alphabet in the order of their codes.
LETTERS = (
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞ\x1bÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
FURTHER = {0x14: "^", 0x28: "{", 0x29: "}", 0x2F: "\\", 0x3C: "[", 0x3D: "~", 0x3E: "]", 0x40: "|", 0x65: "€"}


def number_of(octets, digits):
    return "".join("%X%X" % (o & 15, o >> 4) for o in octets)[:digits]


def septets(octets, count):
    bits = int.from_bytes(octets, "little")
    return [bits >> (7 * i) & 127 for i in range(count)]


def packed(text):
    bits = sum(LETTERS.index(letter) << (7 * i) for i, letter in enumerate(text))
    return bits.to_bytes((7 * len(text) + 7) // 8, "little")


def read_submit(unit):
    """Number and text of an SMS-SUBMIT, with the centre's address before it as 27.005 sends it."""
    octets = bytes.fromhex(unit)
    octets = octets[1 + octets[0] :]
    first, digits = octets[0], octets[2]
    length = (digits + 1) // 2
    sign = "+" if octets[3] >> 4 & 7 == 1 else ""
    to = sign + number_of(octets[4 : 4 + length], digits)
    rest = octets[4 + length :]
    coding = rest[1]
    rest = rest[2 + {0: 0, 2: 1}.get(first >> 3 & 3, 7) :]
    count, data = rest[0], rest[1:]
    header = 1 + data[0] if first & 0x40 else 0
    if coding == 8:
        return to, data[header:].decode("utf-16-be")
    assert coding == 0, "a coding this modem does not know: %d" % coding
    text, further = "", False
    for code in septets(data, count)[(8 * header + 6) // 7 :]:
        if code == 0x1B:
            further = True
            continue
        text += FURTHER[code] if further else LETTERS[code]
        further = False
    return to, text


def deliver(number, text):
    """An SMS-DELIVER as the centre would hand it over now."""
    digits = number.lstrip("+")
    swapped = lambda d: bytes(int(d[i + 1 : i + 2] or "F", 16) << 4 | int(d[i]) for i in range(0, len(d), 2))
    stamp = swapped(time.strftime("%y%m%d%H%M%S", time.gmtime()) + "00")
    return b"\x00\x04" + bytes([len(digits), 0x91]) + swapped(digits) + b"\x00\x00" + stamp + bytes([len(text)]) + packed(text)


class Modem:
    def __init__(self, folder):
        self.folder, self.stored, self.heard, self.echo, self.unit, self.count = folder, {}, b"", True, False, 0

    def listed(self, name, state, unit):
        return "+%s: %s,,%d\r\n%s\r\n" % (name, state, len(unit) // 2 - 1, unit)

    def command(self, text):
        at = text.partition("=")[2]
        if text == "ATE0":
            self.echo = False
        answers = {
            "AT+CGMM": "WALK-1\r\n", "AT+CGSN": "000000000000000\r\n", "AT+CFUN?": "+CFUN: 1\r\n", "AT+CPIN?": "+CPIN: READY\r\n",
            "AT+CREG?": "+CREG: 0,1\r\n", "AT+CEREG?": "+CEREG: 0,1\r\n", "AT+CSQ": "+CSQ: 18,99\r\n",
            "AT+COPS?": '+COPS: 0,0,"Carrier",7\r\n', "AT+CSCA?": '+CSCA: "+12025550100",145\r\n',
        }
        answer = answers.get(text, "")
        if text == "AT+CMGL=4":
            answer = "".join(self.listed("CMGL", "%d,0" % n, unit) for n, unit in self.stored.items())
        elif text.startswith("AT+CMGR=") and int(at) in self.stored:
            answer = self.listed("CMGR", "0", self.stored[int(at)])
        elif text.startswith("AT+CMGD="):
            self.stored.pop(int(at.split(",")[0]), None)
        elif text.startswith("AT+CMGS="):
            self.unit = True
            return "\r\n> "
        return ("\r\n" + answer if answer else "") + "\r\nOK\r\n"

    def hear(self, byte):
        said = byte if self.echo else b""
        if byte == b"\x1b":
            self.heard, self.unit = b"", False
        elif byte == b"\x1a" and self.unit:
            unit, self.heard, self.unit = self.heard.decode().strip(), b"", False
            to, text = read_submit(unit)
            with open(self.folder + "/sent", "a", encoding="utf-8") as out:
                out.write("%s\t%s\n" % (to, text.replace("\n", " ")))
            self.count += 1
            said += b"\r\n+CMGS: %d\r\n\r\nOK\r\n" % (self.count % 256)
        elif byte == b"\r" and not self.unit:
            command, self.heard = self.heard.decode(errors="replace").strip(), b""
            said += self.command(command).encode()
        else:
            self.heard += byte
        return said

    def news(self):
        """What people wrote meanwhile."""
        try:
            os.rename(self.folder + "/say", self.folder + "/said")
        except FileNotFoundError:
            return b""
        told = b""
        for line in open(self.folder + "/said", encoding="utf-8"):
            number, text = line.rstrip("\n").split("\t")
            index = max(self.stored, default=0) + 1
            self.stored[index] = deliver(number, text).hex().upper()
            told += b'\r\n+CMTI: "ME",%d\r\n' % index
        return told


def main():
    link, folder = sys.argv[1:]
    board, port = os.openpty()
    tty.setraw(port, termios.TCSANOW)
    name = os.ttyname(port)
    # As the package's rule sets real ports.
    os.chown(name, 0, __import__("grp").getgrnam("dialout").gr_gid)
    os.chmod(name, 0o660)
    os.makedirs(os.path.dirname(link), exist_ok=True)
    os.symlink(name, link)
    os.set_blocking(board, False)
    modem = Modem(folder)
    while True:
        said = modem.news()
        try:
            for value in os.read(board, 4096):
                said += modem.hear(bytes([value]))
        except BlockingIOError:
            time.sleep(0.02)
        while said:
            try:
                said = said[os.write(board, said) :]
            except BlockingIOError:
                time.sleep(0.02)


main()
