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
        refuse(f"{path}: cannot be read as HDF5 ({error})")
    if text(file, "kind") != kind:
        refuse(f"{path}: is not a {kind}")
    return file


def refuse(text):
    """Ends the program with one clear line and exit status 2."""
    print(text, file=sys.stderr)
    sys.exit(2)


def text(item, name):
    """The attribute `name` of a file, group or data set as text; "" without. h5py gives texts of fixed length as bytes."""
    value = item.attrs.get(name, "")
    return value.decode() if isinstance(value, bytes) else value


def scenario(file):
    """The resolved scenario as {section: {key: text}}; absent keys are missing."""
    parser = configparser.ConfigParser(interpolation=None)
    parser.read_string(file["scenario"].asstr()[()])
    return {section: dict(parser[section]) for section in parser.sections()}


def columns(group, words, numbers):
    """Columns of a table as arrays by name: `words` of texts, `numbers` of numbers."""
    table = {name: np.array(group[name].asstr()[:]) for name in words}
    table.update({name: group[name][:].astype(float) for name in numbers})
    return table


def facts(file):
    """The facts of a study, {name: text}."""
    return dict(zip(file["facts/name"].asstr()[:], file["facts/text"].asstr()[:]))


def axes(curve):
    """Names of the varied keys, slowest first."""
    if "axes" not in curve.attrs:
        refuse(f"{curve.filename}: does not name its axes; sweep again to make it anew")
    return text(curve, "axes").split(",")


def measured(curve):
    """Name of the data set that the sweep was made for: what the file says, in older files the first that is there."""
    known = [text(curve, "measure"), "penalty_db", "required_osnr_db", "ber"]
    found = [name for name in known if name and name in curve]
    if not found:
        refuse(f"{curve.filename}: holds no measured quantity; its data sets are {', '.join(curve)}")
    return found[0]


def companion(curve, name, end):
    """The data set that belongs to `name`, end = low, high or theory: ber_low, snr_low_db, required_osnr_theory; None without."""
    cuts = [i for i, letter in enumerate(name) if letter == "_"]
    names = [f"{name}_{end}"] + [f"{name[:i]}_{end}{name[i:]}" for i in cuts] + [f"{name[:i]}_{end}" for i in cuts[-1:]]
    return next((curve[other] for other in names if other in curve), None)


def axis_values(curve, name):
    """Numbers, or words for a key that holds words."""
    data = curve[name]
    return np.array(data.asstr()[:]) if h5py.check_string_dtype(data.dtype) else data[:]
