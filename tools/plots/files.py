"""Reading what cohlink wrote: scenario text and the columns of a curve."""
import configparser
import sys

import h5py
import numpy as np


def open_as(path, kind):
    """The open file, or one clear line and exit status 2."""
    try:
        file = h5py.File(path, "r")
    except OSError as error:
        sys.exit(_complain(f"{path}: cannot be read as HDF5 ({error})"))
    if file.attrs.get("kind") != kind:
        sys.exit(_complain(f"{path}: is not a {kind}"))
    return file


def _complain(text):
    print(text, file=sys.stderr)
    return 2


def scenario(file):
    """The resolved scenario as {section: {key: text}}; absent keys are missing."""
    parser = configparser.ConfigParser(interpolation=None)
    parser.read_string(file["scenario"].asstr()[()])
    return {section: dict(parser[section]) for section in parser.sections()}


def axes(curve):
    """Names of the varied keys, slowest first: the dimension scales of the BER."""
    return [dimension[0].name.strip("/") for dimension in curve["ber"].dims]


def axis_values(curve, name):
    """Numbers, or words for a key that holds words."""
    data = curve[name]
    return np.array(data.asstr()[:]) if h5py.check_string_dtype(data.dtype) else data[:]
