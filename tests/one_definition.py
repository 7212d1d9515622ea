#!/usr/bin/env python3
"""No two types of one program have one name: the linker takes the code of either for both, and says nothing (C++20
[basic.def.odr] 14). Types in namespaces without a name belong to their file alone.

one_definition.py [ROOT]: every name that is given twice, a line each; exit status 1 where there is one.
"""
import collections
import os
import re
import sys

OPENS = re.compile(r"namespace\s*([\w:]*)\s*\{")
CLOSES = re.compile(r"\}\s*//\s*namespace")
INSTEAD = "sim/signal/propagation/cuda/absent.cpp"  # is compiled in the place of the engine, not beside it
TYPE = re.compile(r"(?:struct|class|enum class|enum)\s+(\w+)(?:\s+final)?\s*(?::[^:;]*)?\{")


def types(path):
    """Full names of the types that stand at the left margin of a source, but those of its own."""
    inside = []
    with open(path, encoding="utf-8") as text:
        for line in text:
            if opened := OPENS.match(line):
                inside.append(opened.group(1))
            elif CLOSES.match(line):
                inside.pop()
            elif (found := TYPE.match(line)) and "" not in inside:
                yield "::".join([*inside, found.group(1)])


def sources(root):
    for top in ("sim", "rx", "tools"):
        for folder, _, files in os.walk(os.path.join(root, top)):
            for name in files:
                path = os.path.join(folder, name)
                if name.endswith((".h", ".cuh", ".cpp", ".cu")) and not path.endswith(INSTEAD):
                    yield path


def main():
    root = sys.argv[1] if len(sys.argv) > 1 else "."
    places = collections.defaultdict(list)
    for path in sources(root):
        for name in types(path):
            places[name].append(os.path.relpath(path, root))
    twice = {name: found for name, found in sorted(places.items()) if len(found) > 1}
    for name, found in twice.items():
        print(f"{name}: {', '.join(found)}")
    print(f"{len(places)} types, {len(twice)} names given twice")
    return 1 if twice or not places else 0


if __name__ == "__main__":
    sys.exit(main())
