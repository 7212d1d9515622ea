#!/usr/bin/env python3
"""No include goes upwards: the rooms of the house stand one above the other as in ROOMS, which DEVELOPERS.md draws.

include_direction.py [ROOT]: every include that goes upwards, a line each; exit status 1 where there is one.
"""
import os
import re
import sys

# From the ground up. A source named by itself stands apart from its room; a room contains the rooms inside it that have
# no line of their own.
ROOMS = """
sim/signal
sim/signal/execution
sim/signal/line/fibre_types
sim/signal/scenario
sim/signal/interpolate
sim/signal/pulse
sim/signal/read_modulation
sim/signal/pilots
sim/signal/frame_layout
sim/signal/propagation
sim/signal/line
sim/signal/record
sim/electronics
sim/fibre
sim/optical_amplifier
sim/transmitter
sim/frontend
sim
sim/budget
rx/fec
rx/blocks/decision
rx/rows
rx/quality
rx/stage
rx/blocks
rx/chain
rx
rx/recording
tools/study
tools
tests
""".split()

INCLUDE = re.compile(r'\s*#\s*include\s+"([^"]+)"')


def sources(root):
    for top in ("sim", "rx", "tools", "tests"):
        for folder, _, files in os.walk(os.path.join(root, top)):
            for name in files:
                if os.path.splitext(name)[1] in (".h", ".cuh", ".cpp", ".cu"):
                    yield os.path.relpath(os.path.join(folder, name), root)


def room_of(source):
    """Of all lines of ROOMS that contain it, the longest."""
    return max((room for room in ROOMS if source == room or source.startswith(room + "/")), key=len)


def includes(root):
    """(file, the source that it includes), without the latter's ending."""
    for path in sources(root):
        with open(os.path.join(root, path), encoding="utf-8") as text:
            for match in filter(None, map(INCLUDE.match, text)):
                if os.path.exists(os.path.join(root, match.group(1))):
                    yield path, os.path.splitext(match.group(1))[0]


def main():
    root = sys.argv[1] if len(sys.argv) > 1 else "."
    level = {room: number for number, room in enumerate(ROOMS)}
    seen, wrong = 0, 0
    for path, target in includes(root):
        seen += 1
        own, of_target = room_of(os.path.splitext(path)[0]), room_of(target)
        if level[of_target] > level[own]:
            wrong += 1
            print(f"{path} includes {target}.h: {of_target} stands above {own}")
    print(f"{seen} includes, {wrong} upwards")
    return 1 if wrong or seen == 0 else 0


if __name__ == "__main__":
    sys.exit(main())
