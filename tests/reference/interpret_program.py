# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs an ISO 6983 program through LinuxCNC's interpreter and prints what it would have a machine do.

One line for each event: "feed F x y z a b c u v w" (a straight move, F in mm/min, lengths in mm), "dwell SECONDS". The module
`gcode` comes with Debian's linuxcnc-uspace and takes all nine axes; it reports lengths in inches, A B C in degrees as they stand.
"""

import sys

import gcode

MM_PER_INCH = 25.4
LENGTHS = (0, 1, 2, 6, 7, 8)  # x y z u v w of "x y z a b c u v w"


class Listener:
    """What the interpreter calls; anything it asks that is not named here it gets nothing for."""

    parameter_file = ""

    def __init__(self):
        self.rate = 0.0

    def __getattr__(self, name):
        if name.startswith("__"):
            raise AttributeError(name)
        return lambda *arguments: None

    def get_axis_mask(self):
        return 0b111111111

    def get_tool(self, pocket):
        return (-1,) + (0.0,) * 12 + (0,)

    def get_external_length_units(self):
        return 1.0 / MM_PER_INCH

    def get_external_angular_units(self):
        return 1.0

    def get_block_delete(self):
        return False

    def check_abort(self):
        return False

    def set_feed_rate(self, rate):
        self.rate = rate * MM_PER_INCH

    def straight_feed(self, *axes):
        values = [v * MM_PER_INCH if i in LENGTHS else v for i, v in enumerate(axes)]
        print("feed", repr(self.rate), *(repr(v) for v in values))

    def straight_traverse(self, *axes):
        print("traverse")

    def dwell(self, seconds):
        print("dwell", repr(seconds))


def main():
    result, last_line = gcode.parse(sys.argv[1], Listener(), "", "")
    if result > gcode.MIN_ERROR:
        sys.exit(f"line {last_line}: {gcode.strerror(result)}")


if __name__ == "__main__":
    main()
