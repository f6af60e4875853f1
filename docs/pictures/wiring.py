"""Draws the wiring and mounting figures: python3 docs/pictures/wiring.py

400 wide, so that 12 point letters stay legible on a narrow page. A dot is a joint; wires that cross without one do not touch.
"""

import pathlib

HERE = pathlib.Path(__file__).parent
INK, QUIET, FILL, PAPER = "#1C1C1C", "#505050", "#EEEEEE", "#FFFFFF"


class Drawing:
    def __init__(self, height, title, words):
        self.parts = [
            f'<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-label="{title}" width="400" height="{height}" '
            f'viewBox="0 0 400 {height}" font-family="DejaVu Sans, Verdana, sans-serif" font-size="12">',
            f"<title>{title}</title>",
            f"<desc>{words}</desc>",
            f'<rect width="400" height="{height}" fill="{PAPER}"/>',
        ]

    def add(self, part):
        self.parts.append(part)

    def text(self, x, y, words, anchor="start", quiet=False, bold=False):
        weight = ' font-weight="bold"' if bold else ""
        colour = QUIET if quiet else INK
        self.add(f'<text x="{x}" y="{y}" text-anchor="{anchor}" fill="{colour}"{weight}>{words}</text>')

    def lines(self, x, y, words, anchor="start", quiet=False):
        for i, line in enumerate(words):
            self.text(x, y + 15 * i, line, anchor, quiet)

    def box(self, x, y, w, h, words=(), fill=FILL, at=17):
        self.add(f'<rect x="{x}" y="{y}" width="{w}" height="{h}" fill="{fill}" stroke="{INK}"/>')
        for i, line in enumerate(words):
            self.text(x + w / 2, y + at + 15 * i, line, "middle", bold=i == 0)

    def wire(self, *points, dash=False, width=1.6):
        joined = " ".join(f"{x},{y}" for x, y in points)
        more = ' stroke-dasharray="5 4"' if dash else ""
        self.add(f'<polyline points="{joined}" fill="none" stroke="{INK}" stroke-width="{width}"{more}/>')

    def arrow(self, x, y, way):
        """A head whose tip is at the point."""
        a, b = 8, 4
        head = {
            "left": f"{x},{y} {x + a},{y - b} {x + a},{y + b}",
            "right": f"{x},{y} {x - a},{y - b} {x - a},{y + b}",
            "up": f"{x},{y} {x - b},{y + a} {x + b},{y + a}",
            "down": f"{x},{y} {x - b},{y - a} {x + b},{y - a}",
        }[way]
        self.add(f'<polygon points="{head}" fill="{INK}"/>')

    def dot(self, x, y):
        self.add(f'<circle cx="{x}" cy="{y}" r="3" fill="{INK}"/>')

    def plus(self, x, y, words="+5 V"):
        """A wire's end at the supply, upwards."""
        self.wire((x, y), (x, y - 8))
        self.wire((x - 8, y - 8), (x + 8, y - 8), width=2.4)
        self.text(x, y - 12, words, "middle", bold=True)

    def ground(self, x, y):
        """A wire's end at ground, downwards."""
        self.wire((x, y), (x, y + 6))
        for i, half in enumerate((9, 6, 3)):
            self.wire((x - half, y + 6 + 3 * i), (x + half, y + 6 + 3 * i))

    def resistor(self, x, y, upright=False):
        w, h = (10, 24) if upright else (24, 10)
        self.add(f'<rect x="{x - w / 2}" y="{y - h / 2}" width="{w}" height="{h}" fill="{PAPER}" stroke="{INK}" stroke-width="1.4"/>')

    def capacitor(self, x, y, upright=False):
        if upright:
            self.add(f'<rect x="{x - 9}" y="{y - 3}" width="18" height="6" fill="{PAPER}"/>')
            self.wire((x - 9, y - 3), (x + 9, y - 3), width=2.2)
            self.wire((x - 9, y + 3), (x + 9, y + 3), width=2.2)
        else:
            self.add(f'<rect x="{x - 3}" y="{y - 9}" width="6" height="18" fill="{PAPER}"/>')
            self.wire((x - 3, y - 9), (x - 3, y + 9), width=2.2)
            self.wire((x + 3, y - 9), (x + 3, y + 9), width=2.2)

    def save(self, name):
        (HERE / name).write_text("\n".join(self.parts + ["</svg>", ""]), encoding="utf-8")


def core():
    d = Drawing(
        860,
        "Supply, controller, programming header and isolated line",
        "Battery of 6 to 9 V, fuse of 0.5 A, switch and 5 V regulator feed the +5 V rail. ATmega328P, 28-pin numbers: 7 VCC and 20 AVCC "
        "to +5 V, 8 and 22 to ground, 100 nF at each pair, 100 nF from 21 AREF to ground, a crystal of 16 MHz at 9 and 10 with 22 pF each, "
        "10 kilohm from 1 RESET to +5 V. Programming header: 1 PB4, 2 +5 V, 3 PB5, 4 PB3, 5 RESET, 6 ground. Pin 3 TXD goes to input A of "
        "the isolator, output B to pin 2 RXD; its VDD1 and GND1 are the station's +5 V and ground. On the other side VDD2, GND2, output A "
        "to RXD and input B from TXD belong to the serial-to-USB part, which the computer feeds.",
    )
    d.text(8, 16, "STATION SIDE: fed by the battery alone", bold=True)
    d.box(8, 26, 78, 60, ["battery", "6 to 9 V"])
    d.box(106, 26, 58, 36, ["fuse", "0.5 A"], at=15)
    d.box(184, 26, 62, 36, ["switch", "on, off"], at=15)
    d.box(268, 26, 124, 60, ["5 V regulator", "low noise, 0.2 A"])
    for x0, x1 in ((86, 106), (164, 184), (246, 268)):
        d.wire((x0, 42), (x1, 42))
    d.text(90, 37, "+", bold=True)
    d.wire((86, 74), (268, 74))
    d.text(90, 88, "−", bold=True)
    # Rails: ground leaves the battery, +5 V the regulator.
    d.wire((14, 86), (14, 540), width=2.2)
    d.wire((330, 86), (330, 104), (32, 104), (32, 500), width=2.2)
    d.text(330, 120, "+5 V rail", "middle", bold=True)
    d.text(38, 120, "+5 V", bold=True)
    d.text(19, 99, "ground", bold=True)

    d.box(152, 130, 116, 336, ["ATmega328P", "16 MHz, 5 V"])
    left = [(178, "7 VCC"), (214, "8 GND"), (250, "20 AVCC"), (286, "22 GND"), (322, "21 AREF"), (362, "9 XTAL1"), (410, "10 XTAL2")]
    for y, name in left:
        d.text(157, y + 4, name)
    for y in (178, 250):
        d.wire((32, y), (152, y))
        d.dot(32, y)
        d.wire((14, y + 36), (152, y + 36))
        d.dot(14, y + 36)
        d.wire((126, y), (126, y + 36))
        d.dot(126, y)
        d.dot(126, y + 36)
        d.capacitor(126, y + 18, upright=True)
        d.text(112, y + 22, "100 nF", "end")
    d.wire((14, 322), (152, 322))
    d.dot(14, 322)
    d.capacitor(100, 322)
    d.text(92, 316, "100 nF", "end")
    for y in (362, 410):
        d.wire((14, y), (152, y))
        d.dot(14, y)
        d.capacitor(80, y)
        d.text(72, y - 6, "22 pF", "end")
        d.dot(126, y)
    d.wire((126, 362), (126, 410))
    d.box(115, 378, 22, 16, fill=PAPER)
    d.text(110, 391, "16 MHz", "end")

    d.box(322, 160, 70, 222, fill=PAPER)
    d.lines(357, 178, ["program-", "ming"], "middle")
    header = [(216, "PC6 1", "5 reset"), (244, "PB3 17", "4 MOSI"), (272, "PB4 18", "1 MISO"), (300, "PB5 19", "3 SCK")]
    for y, pin, name in header:
        d.wire((268, y), (322, y))
        d.text(263, y + 4, pin, "end")
        d.text(327, y + 4, name)
    d.text(263, 203, "RESET", "end")
    d.wire((290, 216), (290, 168))
    d.dot(290, 216)
    d.resistor(290, 188, upright=True)
    d.plus(290, 168)
    d.text(299, 207, "10k")
    d.text(327, 336, "2 +5 V")
    d.wire((322, 332), (298, 332))
    d.plus(298, 332)
    d.text(327, 364, "6 GND")
    d.wire((322, 360), (298, 360))
    d.ground(298, 360)
    d.lines(276, 400, ["programmer", "unplugged before", "anybody is touched"])
    d.lines(276, 452, ["pins 4, 5, 14 to 19,", "23: sensors, next", "figures"], quiet=True)

    d.text(200, 446, "PD1 3", "middle")
    d.text(200, 460, "TXD", "middle")
    d.text(246, 446, "PD0 2", "middle")
    d.text(246, 460, "RXD", "middle")
    d.box(84, 556, 204, 100, [])
    for x, top, below in ((110, "VDD1", "VDD2"), (156, "GND1", "GND2"), (202, "IN A", "OUT A"), (252, "OUT B", "IN B")):
        d.text(x, 572, top, "middle")
        d.text(x, 650, below, "middle")
    d.text(186, 600, "isolator", "middle", bold=True)
    d.wire((202, 466), (202, 556))
    d.arrow(202, 556, "down")
    d.wire((252, 466), (252, 556))
    d.arrow(252, 466, "up")
    d.lines(264, 514, ["serial line, 5 V"])
    d.wire((32, 500), (110, 500), (110, 556))
    d.text(38, 494, "+5 V")
    d.wire((14, 540), (156, 540), (156, 556))
    d.text(38, 534, "ground")
    # Across the barrier.
    d.wire((0, 612), (84, 612), dash=True, width=2.2)
    d.wire((288, 612), (400, 612), dash=True, width=2.2)
    d.wire((84, 612), (288, 612), dash=True)
    d.lines(296, 576, ["nothing con-", "ducts across", ])
    d.lines(296, 632, ["grounds stay", "apart"])
    d.text(6, 632, "COMPUTER", bold=True)
    d.text(6, 647, "SIDE", bold=True)
    d.box(84, 716, 204, 56, [])
    for x, name in ((110, "VCC"), (156, "GND"), (202, "RXD"), (252, "TXD")):
        d.wire((x, 656), (x, 716))
        d.text(x, 732, name, "middle")
    d.text(186, 760, "serial to USB", "middle", bold=True)
    d.arrow(202, 716, "down")
    d.arrow(252, 656, "up")
    d.lines(296, 676, ["3.3 or 5 V,", "as this part", "puts out"])
    d.wire((186, 772), (186, 806))
    d.text(196, 794, "USB: feeds this side only")
    d.box(124, 806, 124, 34, ["computer"], at=21)
    d.save("wiring-core.svg")


def bridge():
    d = Drawing(
        790,
        "Sensors with a bridge converter",
        "Excitation, sense and signal of the load cell, each plus and minus, go to E, S and A of the 24-bit bridge converter; the screen to "
        "its ground, at this end only. Data goes to pin 14 PB0, clock comes from pin 15 PB1. Its rate input is strapped to +5 V for "
        "80 samples a second; supply +5 V with 100 nF. Displacement: lines A and B in quadrature to pins 4 PD2 and 5 PD3, with 4.7 kilohm "
        "to +5 V for open collectors; or a slider between +5 V and ground, its wiper through 1 kilohm to pin 23 PC0 with 100 nF.",
    )
    d.box(8, 20, 104, 236, ["load cell", "bridge, 350 Ω", "2 mV/V"], at=110)
    d.box(288, 20, 104, 434, [])
    d.lines(346, 286, ["bridge", "converter", "24 bits"], "middle")
    cell = [
        (46, "excitation +, 5 V", "E+"),
        (76, "sense +, if six wires", "S+"),
        (106, "signal +, mV", "A+"),
        (136, "signal −, mV", "A−"),
        (166, "sense −, if six wires", "S−"),
        (196, "excitation −, 0 V", "E−"),
    ]
    for y, name, pin in cell:
        d.wire((112, y), (288, y))
        d.text(200, y - 5, name, "middle")
        d.text(294, y + 4, pin)
    d.wire((112, 236), (288, 236), dash=True)
    d.text(200, 231, "screen: this end only", "middle")
    d.text(294, 240, "ground")
    d.box(8, 296, 104, 474, ["controller", "+5 V, line: as in", "first figure"])
    d.wire((112, 360), (288, 360))
    d.arrow(112, 360, "left")
    d.text(200, 355, "data", "middle")
    d.wire((112, 390), (288, 390))
    d.arrow(288, 390, "right")
    d.text(200, 385, "clock", "middle")
    for y, name, pin in ((360, "PB0 14", "data"), (390, "PB1 15", "clock")):
        d.text(107, y + 4, name, "end")
        d.text(294, y + 4, pin)
    # Supply and rate strap enter from above.
    d.wire((288, 272), (262, 272))
    d.plus(262, 272, "")
    d.text(248, 264, "+5 V", "end", bold=True)
    d.text(294, 276, "rate")
    d.lines(120, 279, ["strap: high gives", "80 a second"])
    d.wire((288, 326), (200, 326))
    d.wire((200, 326), (200, 322))
    d.plus(200, 326, "")
    d.text(186, 318, "+5 V", "end", bold=True)
    d.text(294, 330, "VCC")
    d.wire((288, 430), (200, 430))
    d.ground(200, 430)
    d.text(294, 434, "ground")
    d.wire((262, 326), (262, 430))
    d.dot(262, 326)
    d.dot(262, 430)
    d.capacitor(262, 410, upright=True)
    d.text(250, 414, "100 nF", "end")

    d.box(288, 476, 104, 134, [])
    d.lines(346, 494, ["displacement"], "middle")
    d.lines(350, 562, ["pulses in", "quadrature"], "middle")
    for y, x, name, pin in ((520, 150, "A", "PD2 4"), (546, 184, "B", "PD3 5")):
        d.wire((112, y), (288, y))
        d.arrow(112, y, "left")
        d.text(294, y + 4, name)
        d.text(107, y + 4, pin, "end")
        d.wire((x, y), (x, 484))
        d.dot(x, y)
        d.resistor(x, 500, upright=True)
    d.wire((150, 484), (184, 484))
    d.plus(167, 484)
    d.lines(196, 481, ["4.7 kΩ each,", "for open", "collectors"])
    d.wire((288, 572), (262, 572))
    d.plus(262, 572, "")
    d.text(248, 566, "+5 V", "end", bold=True)
    d.wire((288, 594), (262, 594))
    d.ground(262, 594)
    d.text(248, 600, "ground", "end")
    d.text(294, 576, "+")
    d.text(294, 598, "−")

    d.text(200, 640, "or, in place of A and B:", "middle")
    d.box(288, 652, 104, 118, [])
    d.lines(350, 704, ["slider", "5 kΩ"], "middle")
    d.wire((288, 672), (262, 672))
    d.plus(262, 672, "")
    d.text(248, 666, "+5 V", "end", bold=True)
    d.wire((112, 708), (288, 708))
    d.arrow(112, 708, "left")
    d.text(107, 712, "PC0 23", "end")
    d.resistor(220, 708)
    d.text(220, 698, "1 kΩ", "middle")
    d.text(294, 712, "wiper")
    d.wire((160, 708), (160, 744))
    d.dot(160, 708)
    d.capacitor(160, 726, upright=True)
    d.text(174, 730, "100 nF")
    d.ground(160, 744)
    d.wire((288, 752), (262, 752))
    d.ground(262, 752)
    d.save("wiring-bridge.svg")


def two_inputs():
    d = Drawing(
        1090,
        "Sensors with a converter of two inputs",
        "The load cell is fed with +5 V and ground. Its signal goes to an amplifier of gain 200 whose reference is the middle, 2.5 V; through "
        "the low pass to input 1 plus of the converter. A slider between +5 V and ground goes through the same low pass to input 2 plus. Both "
        "minus inputs and the converter's reference are the middle, half of +5 V by two resistors and a follower. Select from pin 16 PB2 with "
        "10 kilohm to +5 V, data in from pin 17 PB3, data out to pin 18 PB4, clock from pin 19 PB5. Low pass: two resistors of 11 kilohm, "
        "220 nF to the output, 100 nF to ground, follower.",
    )
    d.box(8, 20, 104, 190, ["load cell", "bridge, 350 Ω", "2 mV/V"], at=84)
    d.box(288, 20, 104, 220, [])
    d.lines(350, 112, ["amplifier", "gain 200"], "middle")
    d.wire((112, 56), (288, 56))
    d.dot(240, 56)
    d.plus(240, 56)
    d.text(116, 51, "excitation +")
    d.text(294, 60, "supply +")
    for y, name, pin in ((90, "signal +, mV", "in +"), (120, "signal −, mV", "in −")):
        d.wire((112, y), (288, y))
        d.text(200, y - 5, name, "middle")
        d.text(294, y + 4, pin)
    d.wire((112, 154), (288, 154))
    d.text(116, 149, "excitation −")
    d.text(294, 158, "supply −")
    d.dot(240, 154)
    d.ground(240, 154)
    d.wire((112, 192), (214, 192), (214, 154), dash=True)
    d.dot(214, 154)
    d.text(116, 187, "screen: this")
    d.text(116, 206, "end only")
    d.wire((288, 216), (250, 216))
    d.text(246, 220, "M", "end", bold=True)
    d.text(294, 220, "reference")
    d.wire((340, 240), (340, 274))
    d.arrow(340, 274, "down")
    d.lines(200, 246, ["2.5 V at no force,", "2 V more at 500 N"], "middle")
    d.box(288, 274, 104, 56, ["low pass", "100 Hz, see", "below"], fill=PAPER)
    d.wire((288, 312), (262, 312), (262, 610), (288, 610))
    d.arrow(288, 610, "right")

    d.box(8, 340, 104, 130, ["slider", "1 kΩ"], at=62)
    d.wire((112, 370), (146, 370))
    d.plus(146, 370)
    d.wire((112, 404), (288, 404))
    d.arrow(288, 404, "right")
    d.text(118, 399, "wiper, 0 to 5 V")
    d.wire((112, 446), (146, 446))
    d.ground(146, 446)
    d.box(288, 384, 104, 56, ["low pass", "the same", "values"], fill=PAPER)
    d.wire((288, 428), (236, 428), (236, 640), (288, 640))
    d.arrow(288, 640, "right")

    # The middle.
    d.text(8, 500, "M, the middle: 2.5 V", bold=True)
    d.wire((40, 526), (40, 628))
    d.plus(40, 532, "")
    d.text(54, 526, "+5 V", bold=True)
    d.resistor(40, 548, upright=True)
    d.resistor(40, 608, upright=True)
    d.text(52, 560, "10 kΩ", "start")
    d.text(52, 614, "10 kΩ", "start")
    d.dot(40, 578)
    d.ground(40, 628)
    d.wire((40, 578), (112, 578))
    d.box(112, 562, 74, 34, ["follower"], fill=PAPER, at=21)
    d.wire((186, 578), (210, 578), (210, 526), (288, 526))
    d.arrow(288, 526, "right")
    d.text(206, 521, "M", "end", bold=True)
    d.wire((276, 526), (276, 580), (288, 580))
    d.wire((276, 553), (288, 553))
    d.dot(276, 526)
    d.dot(276, 553)
    d.box(288, 496, 104, 414, [])
    pins = [(526, "reference"), (553, "1 −"), (580, "2 −"), (610, "1 +  force"), (640, "2 +"), (686, "supply"), (730, "ground")]
    for y, name in pins:
        d.text(294, y + 4, name)
    d.text(294, 656, "displacement")
    d.wire((288, 686), (200, 686))
    d.plus(200, 686)
    d.wire((288, 730), (200, 730))
    d.ground(200, 730)
    d.wire((256, 686), (256, 730))
    d.dot(256, 686)
    d.dot(256, 730)
    d.capacitor(256, 708, upright=True)
    d.text(242, 712, "100 nF", "end")
    d.lines(8, 700, ["one ground point:", "all grounds meet", "here, the battery’s", "too"])
    d.lines(346, 760, ["converter", "two inputs,", "16 bits, SPI"], "middle")
    d.box(8, 774, 104, 136, ["controller"])
    spi = [(816, "select", "PB2 16", "select", 1), (842, "out of controller", "PB3 17", "data in", 1)]
    spi += [(868, "into controller", "PB4 18", "data out", 0), (894, "clock, 4 MHz", "PB5 19", "clock", 1)]
    for y, name, pin, theirs, out in spi:
        d.wire((112, y), (288, y))
        d.arrow(288 if out else 112, y, "right" if out else "left")
        d.text(206, y - 4, name, "middle")
        d.text(107, y + 4, pin, "end")
        d.text(294, y + 4, theirs)
    d.wire((134, 816), (134, 776))
    d.dot(134, 816)
    d.resistor(134, 796, upright=True)
    d.plus(134, 780, "")
    d.text(148, 776, "+5 V", bold=True)
    d.text(146, 800, "10 kΩ")

    # The low pass.
    d.text(8, 944, "Low pass: one of these for each channel", bold=True)
    d.text(8, 1010, "in")
    d.wire((22, 1006), (230, 1006))
    d.resistor(56, 1006)
    d.text(56, 996, "11 kΩ", "middle")
    d.resistor(140, 1006)
    d.text(140, 996, "11 kΩ", "middle")
    d.wire((98, 1006), (98, 966), (330, 966), (330, 1018))
    d.dot(98, 1006)
    d.capacitor(210, 966)
    d.text(222, 960, "220 nF")
    d.wire((186, 1006), (186, 1050))
    d.dot(186, 1006)
    d.capacitor(186, 1030, upright=True)
    d.text(172, 1034, "100 nF", "end")
    d.ground(186, 1050)
    d.add(f'<polygon points="230,992 230,1044 290,1018" fill="{FILL}" stroke="{INK}"/>')
    d.text(235, 1010, "+", bold=True)
    d.text(235, 1036, "−", bold=True)
    d.wire((290, 1018), (380, 1018))
    d.dot(330, 1018)
    d.wire((330, 1018), (330, 1062), (212, 1062), (212, 1032), (230, 1032))
    d.text(366, 1012, "out")
    d.text(392, 1082, "amplifier: +5 V, ground, rail to rail", "end", quiet=True)
    d.save("wiring-two-inputs.svg")


def mounting():
    d = Drawing(
        770,
        "Mounting of the load cell and the displacement sensor",
        "Above: the stand is fixed to the plinth beside the body and carries the sensor upright, parallel to the force. Its rod rests on a "
        "bracket at the plate below the load cell and lifts off freely. Below, in section: the cap has a skirt around the cell; its rim meets "
        "the plate when the gap of 0.1 to 0.3 mm is closed. A soft sleeve, fixed to the skirt and free below, hangs over the gap.",
    )
    # Seen from the side.
    d.box(8, 352, 384, 26, ["plinth"], at=18)
    d.add(f'<path d="M118,352 C106,352 104,300 136,284 C190,262 330,262 392,276 L392,352 Z" fill="{PAPER}" stroke="{INK}" stroke-width="1.8"/>')
    d.lines(262, 322, ["body or model"], "middle")
    d.box(36, 66, 12, 286, fill=FILL)
    d.box(24, 340, 36, 12, fill=FILL)
    d.box(36, 76, 136, 12, fill=FILL)
    d.box(150, 88, 26, 76, fill=PAPER)
    d.wire((163, 164), (163, 232), width=3)
    d.box(156, 232, 70, 8, fill=FILL)
    d.box(222, 226, 76, 14, fill=FILL)
    d.box(236, 240, 48, 28, fill=PAPER)
    d.box(224, 150, 72, 76, ["cell in", "its cup"], at=36)
    d.add(f'<path d="M218,150 C218,128 302,128 302,150 Z" fill="{FILL}" stroke="{INK}"/>')
    d.wire((260, 60), (260, 130), width=2.4)
    d.arrow(260, 132, "down")
    d.text(260, 52, "hand: force on the axis", "middle")
    d.wire((163, 40), (163, 86), dash=True)
    d.text(163, 32, "parallel", "middle")
    d.lines(56, 112, ["displacement", "sensor,", "upright"])
    d.lines(56, 186, ["rod rests on", "the bracket,", "lifts off freely"])
    d.lines(56, 250, ["stand, beside", "the body"])
    d.lines(308, 176, ["plate, below", "the cell: the", "bracket is", "fixed to it"])
    d.lines(308, 256, ["soft pad"])
    d.wire((306, 222), (298, 230))
    d.wire((306, 252), (284, 254))
    d.text(8, 398, "Cable: clamped at both ends, a loop between.", quiet=True)

    # The cup in section.
    d.text(8, 432, "The cup, in section (gap drawn too wide)", bold=True)
    d.add(f'<path d="M40,470 C40,450 60,446 130,446 C200,446 220,450 220,470 L220,590 L200,590 L200,476 L60,476 L60,590 L40,590 Z" fill="{FILL}" stroke="{INK}"/>')
    d.box(84, 476, 92, 14, fill=PAPER)
    d.box(90, 490, 80, 106, ["load", "cell"], at=48)
    d.box(40, 596, 180, 18, fill=FILL)
    d.add(f'<path d="M76,614 L184,614 L184,634 C184,644 170,646 130,646 C90,646 76,644 76,634 Z" fill="{PAPER}" stroke="{INK}"/>')
    d.text(130, 634, "soft pad", "middle")
    for x, s in ((40, -1), (220, 1)):
        d.wire((x, 560), (x + 5 * s, 566), (x + 5 * s, 624), width=3)
    d.wire((8, 648), (240, 648), width=2.4)
    d.text(8, 664, "skin, or the model")
    notes = [
        (462, 456, 205, ["cap: edges round, 2 mm"]),
        (484, 483, 176, ["shims: set the gap"]),
        (520, 516, 210, ["skirt: carries the load", "once the gap is closed"]),
        (575, 593, 212, ["gap: 0.1 to 0.3 mm,", "see the text"]),
        (612, 612, 226, ["sleeve: soft, fixed to", "the skirt, free below,", "10 mm over the gap"]),
    ]
    for y, to, x, words in notes:
        d.wire((244, y - 4), (x, to), width=1)
        d.lines(248, y, words)
    d.lines(
        8,
        690,
        [
            "Nothing that closes is within reach of fingers or skin:",
            "the gap is inside the sleeve. At the deepest press the rod has",
            "10 mm of travel left, and the bracket is 15 mm off the skin.",
        ],
    )
    d.lines(8, 742, ["The bracket is as short as the hand allows: at 40 mm from", "the axis each degree of tilt is read as 0.7 mm."], quiet=True)
    d.save("mounting.svg")


core()
bridge()
two_inputs()
mounting()
