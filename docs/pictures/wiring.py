"""Draws the wiring and mounting figures: python3 docs/pictures/wiring.py"""

import pathlib

HERE = pathlib.Path(__file__).parent
INK, QUIET, FILL = "#1C1C1C", "#595959", "#EEEEEE"


class Drawing:
    def __init__(self, width, height, title, words):
        self.parts = [
            f'<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-label="{title}" width="{width}" height="{height}" '
            f'viewBox="0 0 {width} {height}" font-family="DejaVu Sans, Verdana, sans-serif" font-size="13">',
            f"<title>{title}</title>",
            f"<desc>{words}</desc>",
            f'<rect width="{width}" height="{height}" fill="#FFFFFF"/>',
        ]

    def box(self, x, y, w, h, words, fill=FILL):
        self.parts.append(f'<rect x="{x}" y="{y}" width="{w}" height="{h}" fill="{fill}" stroke="{INK}"/>')
        for i, line in enumerate(words):
            weight = ' font-weight="bold"' if i == 0 else ""
            self.parts.append(
                f'<text x="{x + w / 2}" y="{y + 19 + 17 * i}" text-anchor="middle" fill="{INK}"{weight}>{line}</text>'
            )

    def wire(self, *points, dash=False, width=1.6, arrow=False):
        joined = " ".join(f"{x},{y}" for x, y in points)
        more = ' stroke-dasharray="5 4"' if dash else ""
        self.parts.append(f'<polyline points="{joined}" fill="none" stroke="{INK}" stroke-width="{width}"{more}/>')
        if arrow:
            (x0, y0), (x, y) = points[-2:]
            d = 6
            if x0 == x:
                s = 1 if y > y0 else -1
                head = f"{x},{y} {x - d / 1.5},{y - s * d} {x + d / 1.5},{y - s * d}"
            else:
                s = 1 if x > x0 else -1
                head = f"{x},{y} {x - s * d},{y - d / 1.5} {x - s * d},{y + d / 1.5}"
            self.parts.append(f'<polygon points="{head}" fill="{INK}"/>')

    def text(self, x, y, words, anchor="start", quiet=False, size=13):
        colour = QUIET if quiet else INK
        self.parts.append(f'<text x="{x}" y="{y}" text-anchor="{anchor}" fill="{colour}" font-size="{size}">{words}</text>')

    def save(self, name):
        (HERE / name).write_text("\n".join(self.parts + ["</svg>", ""]), encoding="utf-8")


def supply(d, x, y):
    d.box(x, y, 150, 60, ["battery", "or medically", "isolated supply"])


def bridge():
    d = Drawing(
        760,
        400,
        "Wiring of a station with a bridge converter",
        "A load cell with four wires and a screen goes to a 24-bit bridge converter; its data and clock lines go to PB0 and PB1 of the "
        "controller. Two lines in quadrature from the displacement sensor go to PD2 and PD3. The controller's serial line goes "
        "through an isolator to the computer.",
    )
    d.box(20, 40, 120, 120, ["load cell", "", "bridge of", "four arms"])
    d.box(300, 40, 130, 120, ["bridge converter", "24 bits", "10 or 80 a second"])
    d.box(560, 40, 130, 200, ["controller", "ATmega328P"])
    for i, name in enumerate(["excitation +", "excitation −", "signal +", "signal −"]):
        y = 62 + 26 * i
        d.wire((140, y), (300, y))
        d.text(220, y - 4, name, "middle", size=12)
    d.wire((150, 170), (290, 170), dash=True)
    d.wire((290, 170), (290, 150), (300, 150), dash=True)
    d.text(150, 187, "screen: to ground at this end only", quiet=True, size=12)
    for y, name, pin in [(98, "data", "PB0"), (126, "clock", "PB1")]:
        d.wire((430, y), (560, y))
        d.text(495, y - 4, name, "middle", size=12)
        d.text(566, y + 4, pin, size=12)
    d.box(20, 220, 190, 60, ["displacement sensor", "pulses in quadrature"])
    for y, name, pin in [(235, "first line", "PD2"), (262, "second line", "PD3")]:
        at = 205 if pin == "PD2" else 225
        d.wire((210, y), (520 if pin == "PD2" else 535, y), (520 if pin == "PD2" else 535, at), (560, at))
        d.text(290, y - 4, name, size=12)
        d.text(566, at + 4, pin, size=12)
    supply(d, 20, 320)
    d.wire((170, 350), (480, 350), (480, 158), (560, 158), arrow=True)
    d.wire((365, 350), (365, 160), arrow=True)
    d.text(180, 343, "supply of converter, sensor and controller", size=12)
    d.text(566, 162, "supply", size=12)
    d.box(560, 310, 80, 50, ["isolator"], "#FFFFFF")
    d.box(670, 310, 80, 50, ["computer"])
    d.wire((600, 240), (600, 310))
    d.text(606, 270, "PD0, PD1", size=12)
    d.text(606, 286, "serial", size=12)
    d.wire((640, 335), (670, 335))
    d.wire((655, 296), (655, 374), dash=True)
    d.text(655, 388, "nothing conducts across this line", "middle", quiet=True, size=12)
    d.save("wiring-bridge.svg")


def two_inputs():
    d = Drawing(
        760,
        360,
        "Wiring of a station with a converter of two inputs",
        "Load cell and displacement sensor each go through an amplifier or divider and the same low pass to the two inputs of an SPI "
        "converter, whose reference is the excitation of the bridge. Select, out, in and clock go to PB2 to PB5.",
    )
    d.box(20, 40, 110, 70, ["load cell", "bridge"])
    d.box(180, 40, 110, 70, ["amplifier", "gain 100", "or more"])
    d.box(330, 40, 100, 70, ["low pass", "0.4 of the rate", "or less"])
    d.box(20, 150, 110, 70, ["displacement", "sensor", "slider"])
    d.box(180, 150, 110, 70, ["divider", "to the range"])
    d.box(330, 150, 100, 70, ["low pass", "the same one"])
    d.box(470, 40, 110, 180, ["converter", "two inputs", "16 bits, SPI"])
    d.box(640, 40, 100, 180, ["controller", "ATmega328P"])
    for y in (75, 185):
        d.wire((130, y), (180, y))
        d.wire((290, y), (330, y))
        d.wire((430, y), (470, y), arrow=True)
    d.text(474, 80, "1", size=12)
    d.text(474, 190, "2", size=12)
    for y, name, pin in [(110, "select", "PB2"), (135, "out", "PB3"), (160, "in", "PB4"), (185, "clock", "PB5")]:
        d.wire((580, y), (640, y))
        d.text(610, y - 4, name, "middle", size=12)
        d.text(646, y + 4, pin, size=12)
    d.wire((75, 40), (75, 20), (525, 20), (525, 40), arrow=True)
    d.text(300, 15, "excitation, and reference of the converter", "middle", size=12)
    d.wire((60, 110), (60, 130), (60, 150))
    d.text(66, 134, "the same excitation", size=12)
    supply(d, 20, 270)
    d.wire((170, 300), (690, 300), (690, 220), arrow=True)
    d.wire((525, 300), (525, 220), arrow=True)
    d.wire((235, 300), (235, 220), arrow=True)
    d.text(330, 293, "one ground point for amplifiers and converter", size=12)
    d.text(20, 350, "Serial line to the computer through an isolator, as in the other figure.", quiet=True, size=12)
    d.save("wiring-two-inputs.svg")


def mounting():
    d = Drawing(
        760,
        380,
        "Mounting of the load cell and the displacement sensor",
        "Under the hand a rounded cap, the load cell, a stop that takes the load beyond its range, and the pad that touches. The "
        "displacement sensor is fixed to the plinth, with a free gap beyond its longest way.",
    )
    d.text(250, 30, "hand", "middle")
    d.wire((250, 38), (250, 60), arrow=True)
    d.box(180, 60, 140, 28, ["cap, edges round"])
    d.box(185, 92, 130, 60, ["load cell", "loaded on its axis"])
    d.box(150, 156, 200, 16, [""], "#FFFFFF")
    d.text(366, 169, "overload stop: its edges take the load")
    d.wire((150, 164), (150, 110), (170, 110))
    d.wire((350, 164), (350, 110), (330, 110))
    d.text(366, 114, "gap: closes a tenth over the range that is used,")
    d.text(366, 131, "and before the cell's own limit")
    d.box(205, 176, 90, 30, ["soft pad"])
    d.text(366, 195, "washable, no seam; wiped after every person")
    d.wire((60, 232), (640, 232), width=2.5)
    d.text(60, 250, "skin, or the model")
    d.box(60, 306, 580, 28, ["plinth"])
    d.box(14, 120, 116, 60, ["displacement", "sensor"], "#FFFFFF")
    d.wire((82, 180), (82, 306), width=2.5)
    d.text(92, 290, "stand fixed to the plinth, not to the table beside it")
    d.wire((130, 144), (185, 130), width=1.6)
    d.text(20, 100, "moving end at the cell,")
    d.text(20, 115, "not at the hand")
    d.text(60, 358, "Cables: a loop that hangs free, a clamp at either end, none under a hand or across the way.", quiet=True)
    d.save("mounting.svg")


bridge()
two_inputs()
mounting()
