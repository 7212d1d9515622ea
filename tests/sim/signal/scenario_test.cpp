// The scenario table and its messages: what a user sees when something is wrong.
#include "sim/signal/scenario/scenario.h"

#include <doctest/doctest.h>

#include <set>

#include "sim/signal/scenario/strings.h"

using namespace cohlink;

namespace {

std::string message_of(const std::string& text) {
  Scenario scenario;
  try {
    scenario.read_text(text, "x.ini");
  } catch (const InputError& error) {
    return error.what();
  }
  return "";
}

}  // namespace

TEST_CASE("an unknown key is named with file and line, and the nearest key suggested") {
  CHECK(message_of("[signal]\nsymbols = 2048\n\n[fibre]\ndisperson_ps_per_nm_km = 17\n") ==
        "x.ini:5: fibre.disperson_ps_per_nm_km: unknown key; did you mean fibre.dispersion_ps_per_nm_km?");
  CHECK(message_of("[fibre]\nlaunch_power_dbm = 1\n") ==
        "x.ini:2: fibre.launch_power_dbm: unknown key; did you mean transmitter.launch_power_dbm?");
  CHECK(message_of("[wine]\nvintage_of_the_bottle = 1999\n") ==
        "x.ini:2: wine.vintage_of_the_bottle: unknown key; 'cohlink keys' lists them all");
}

TEST_CASE("a value of the wrong type or out of range is named with its legal values") {
  CHECK(message_of("[signal]\nroll_off = wide\n") ==
        "x.ini:2: signal.roll_off: 'wide' is not a number; legal: between 0.01 and 1");
  CHECK(message_of("[signal]\nroll_off = 1.5\n") ==
        "x.ini:2: signal.roll_off: '1.5' is out of range; legal: between 0.01 and 1");
  CHECK(message_of("[signal]\nsymbols = 2048.5\n") ==
        "x.ini:2: signal.symbols: '2048.5' is not a whole number; legal: a whole number between 1024 and "
        "16777216");
  CHECK(
      message_of("[signal]\nmodulation = 8psk\n") ==
      "x.ini:2: signal.modulation: '8psk' is not a choice; legal: one of qpsk, 16qam, gaussian, 8qam, 64qam");
  CHECK(message_of("[amplifier]\nase = maybe\n") ==
        "x.ini:2: amplifier.ase: 'maybe' is neither true nor false; legal: true, false");
  CHECK(message_of("[transmitter]\nlaunch_power_dbm = nan\n") ==
        "x.ini:2: transmitter.launch_power_dbm: 'nan' is not a number; legal: between -60 and 30 dBm");
  CHECK(message_of("[channel]\nosnr_db = 1e300\n") ==
        "x.ini:2: channel.osnr_db: '1e300' is out of range; legal: between -10 and 100 dB");
  // The blocks are the receiver's to know: its own message names them.
  CHECK(message_of("[dsp]\nchain = resample,magic\n").empty());
}

TEST_CASE("a key given twice in one file is refused, in two files the later one holds") {
  CHECK(message_of("[signal]\nroll_off = 0.2\nroll_off = 0.3\n") ==
        "x.ini:3: signal.roll_off: given twice in this file, first at x.ini:2");
  Scenario scenario;
  scenario.read_text("[signal]\nroll_off = 0.2\nsymbols = 4096\n", "a.ini");
  scenario.read_text("[signal]\nroll_off = 0.3\n", "b.ini");
  CHECK(scenario.number("signal.roll_off") == 0.3);
  CHECK(scenario.integer("signal.symbols") == 4096);
  scenario.set("signal.roll_off = 0.4");
  CHECK(scenario.number("signal.roll_off") == 0.4);
}

TEST_CASE("malformed lines are named") {
  CHECK(message_of("[signal]\nsymbols 2048\n") ==
        "x.ini:2: 'symbols 2048' is neither a [section] nor key = value");
  CHECK(message_of("[signal\nsymbols = 2048\n") ==
        "x.ini:1: '[signal' is not a section heading; write [name]");
  Scenario scenario;
  CHECK_THROWS_WITH_AS(scenario.read_file("no/such/file.ini"), "no/such/file.ini: cannot be read",
                       InputError);
  CHECK_THROWS_WITH_AS(scenario.set("signal.roll_off"),
                       "'signal.roll_off' is not of the form section.key=value", InputError);
  CHECK_THROWS_WITH_AS(scenario.set("signal.roll_off="),
                       "signal.roll_off: '' is not a number; legal: between 0.01 and 1", InputError);
}

TEST_CASE("comments, blank lines and carriage returns are harmless") {
  Scenario scenario;
  scenario.read_text("# a question\r\n; another\r\n\r\n[signal]   # the data\r\nroll_off = 0.2  # narrow\r\n",
                     "x.ini");
  CHECK(scenario.number("signal.roll_off") == 0.2);
}

TEST_CASE("the resolved scenario reads back to itself") {
  Scenario first;
  first.read_text("[channel]\nosnr_db = 13.25\n[signal]\nmodulation = 16qam\n", "x.ini");
  Scenario second;
  second.read_text(first.resolved(), "resolved");
  CHECK(second.resolved() == first.resolved());
  CHECK(second.number("channel.osnr_db") == 13.25);
  CHECK_FALSE(Scenario().is_set("channel.osnr_db"));
}

TEST_CASE("a key whose default is absent can be taken back, and asking for it says so") {
  Scenario scenario;
  scenario.set("channel.osnr_db=12");
  scenario.set("channel.osnr_db=");
  CHECK_FALSE(scenario.optional_number("channel.osnr_db").has_value());
  CHECK_THROWS_WITH_AS(scenario.number("channel.osnr_db"), "channel.osnr_db: needed here, but not given",
                       InputError);
}

TEST_CASE("every declared default is legal, every name unique and every key has a help line") {
  const Scenario defaults;
  std::set<std::string> names;
  for (const auto& key : scenario_keys()) {
    CAPTURE(key.full_name());
    CHECK(names.insert(key.full_name()).second);
    CHECK_FALSE(key.help.empty());
    Scenario scenario;
    if (!key.default_value.empty())
      CHECK_NOTHROW(scenario.set(key.full_name(), std::string(key.default_value), "default"));
    CHECK(key.low <= key.high);
    CHECK(key.name.find(' ') == std::string_view::npos);
  }
}

TEST_CASE("edit distance is Levenshtein's") {
  CHECK(edit_distance("kitten", "sitting") == 3);  // the textbook's example
  CHECK(edit_distance("", "abc") == 3);
  CHECK(split(" a, b ,,c", ',') == std::vector<std::string>{"a", "b", "", "c"});
  CHECK(nearest_word("simulte", {"simulate", "receive", "sweep"}) == "simulate");
  CHECK(nearest_word("zzzzzz", {"simulate", "receive", "sweep"}).empty());
}

TEST_CASE(
    "a spec sheet's sections are kept in order, survive the resolved scenario, and know their entries") {
  Scenario scenario;
  scenario.read_text(
      "[require.reach]\nset = fibre.spans=38\nmeasure = ber\nat_most = 2e-2\n[require.dgd]\nmeasure = ber\n",
      "a.ini");
  scenario.read_text("[require.reach]\nat_most = 1e-2\n", "b.ini");
  Scenario again;
  again.read_text(scenario.resolved(), "resolved");
  for (const Scenario* s : {&scenario, &again}) {
    REQUIRE(s->requirements().size() == 2);
    CHECK(s->requirements()[0].name == "reach");
    CHECK(s->requirements()[0].entries.at("set").text == "fibre.spans=38");
    CHECK(s->requirements()[0].entries.at("at_most").text == "1e-2");
    CHECK(s->requirements()[1].name == "dgd");
  }
  CHECK(scenario.requirements()[0].entries.at("at_most").origin.text() == "b.ini:2");
  CHECK(message_of("[require.reach]\nat_mots = 1\n") ==
        "x.ini:2: require.reach.at_mots: a requirement has no such entry; did you mean at_most?");
  CHECK(message_of("[require]\nmeasure = ber\n") ==
        "x.ini:2: require.measure: a requirement needs a name: [require.NAME]");
  CHECK(message_of("[require.reach]\nmeasure =\n") == "x.ini:2: require.reach.measure: a value is missing");
}

TEST_CASE("an error carries file, line, key and reason apart, and what() puts them together") {
  Scenario scenario;
  try {
    scenario.read_text("[signal]\nroll_off = 1.5\n", "x.ini");
    FAIL("a roll-off above 1 was taken");
  } catch (const InputError& error) {
    CHECK(error.file() == "x.ini");
    CHECK(error.line() == 2);
    CHECK(error.key() == "signal.roll_off");
    CHECK(error.reason() == "'1.5' is out of range; legal: between 0.01 and 1");
    CHECK(std::string(error.what()) == "x.ini:2: signal.roll_off: " + error.reason());
  }
  // Of a value that a program set, or left at its default, there is no file.
  try {
    scenario.reject("dsp.chain", "does not work");
  } catch (const InputError& error) {
    CHECK(error.file().empty());
    CHECK(error.line() == 0);
    CHECK(error.key() == "dsp.chain");
  }
  const InputError of_file = InputError(Origin(), "fibre.spans", "too many").in("x.h5");
  CHECK(of_file.file() == "x.h5");
  CHECK(of_file.key() == "fibre.spans");
  CHECK(std::string(of_file.what()) == "x.h5: fibre.spans: too many");
}
