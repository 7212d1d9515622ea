"""Scenarios in Python: sources, values, mistakes."""
import copy
import pickle

import pytest

import cohlink


def test_sources_layer_left_to_right(tmp_path):
    (tmp_path / "a.ini").write_text("[channel]\nosnr_db = 9\n[adc]\nbits = 6\n")
    sc = cohlink.Scenario(tmp_path / "a.ini", "[channel]\nosnr_db = 10\n", {"signal": {"symbols": 4096}},
                          {"channel.osnr_db": 11})
    assert (sc["channel.osnr_db"], sc["adc.bits"], sc["signal.symbols"]) == (11.0, 6, 4096)
    assert sc.given() == {"channel.osnr_db": 11.0, "adc.bits": 6, "signal.symbols": 4096}


def test_values_have_the_types_of_their_keys():
    sc = cohlink.Scenario()
    assert isinstance(sc["channel.osnr_db"], (float, type(None)))
    assert sc["signal.modulation"] == "qpsk"
    assert sc["dsp.chain"][-1] == "phase"
    assert sc["signal.differential"] is False
    assert sc["fibre.spans"] == 0
    assert set(sc) == {key.name for key in cohlink.keys()}
    assert all(key.help for key in cohlink.keys("linewidth"))


def test_set_chains_and_takes_what_python_has():
    sc = cohlink.Scenario().set("channel.osnr_db", 18).set("frontend.shot_noise", True).set("adc.bits=5")
    sc.set({"dsp.chain": cohlink.Scenario()["dsp.chain"]}).set("channel.osnr_db", None)
    assert sc["channel.osnr_db"] is None
    assert sc["frontend.shot_noise"] is True and sc["adc.bits"] == 5
    assert sc == cohlink.Scenario(sc.text()) == copy.deepcopy(sc) == pickle.loads(pickle.dumps(sc))
    assert sc.copy().set("adc.bits", 6) != sc


@pytest.mark.parametrize("source, said", [
    ({"channel.osnr_db": "loud"}, "is not a number"),
    ({"channel.osnr": 3}, "did you mean channel.osnr_db"),
    ({"adc.bits": 99}, "between 2 and 16"),
    ("[signal]\nsymbols = many\n", "text:2"),
    ("no-such-file.ini", "no-such-file.ini"),
])
def test_mistakes_are_one_line(source, said):
    with pytest.raises(cohlink.ScenarioError) as failure:
        cohlink.Scenario(source)
    assert said in str(failure.value)
    assert "\n" not in str(failure.value)
    assert isinstance(failure.value, ValueError)


def test_mistakes_have_their_parts(tmp_path):
    (tmp_path / "a.ini").write_text("[adc]\n\nbits = 99\n")
    with pytest.raises(cohlink.ScenarioError) as failure:
        cohlink.Scenario(tmp_path / "a.ini")
    error = failure.value
    assert (error.file, error.line, error.key) == (str(tmp_path / "a.ini"), 3, "adc.bits")
    assert str(error) == f"{error.file}:3: adc.bits: {error.reason}"
    with pytest.raises(cohlink.ScenarioError) as failure:
        cohlink.Scenario().set("adc.bits", 99)
    assert (failure.value.file, failure.value.line, failure.value.key) == (None, None, "adc.bits")


def test_unknown_key_when_read():
    with pytest.raises(KeyError, match="did you mean channel.osnr_db"):
        cohlink.Scenario()["channel.osnr"]
