// Who may come in: RFC 6455 section 10.2 on origins; DNS rebinding by the Host header.
#include "tools/live/guard.h"

#include <doctest/doctest.h>

#include <set>

using namespace cohlink::live;

namespace {

const Door kDoor{"0123456789abcdef0123456789abcdef", "127.0.0.1", 8765};
constexpr const char* kHost = "127.0.0.1:8765";
constexpr const char* kOrigin = "http://127.0.0.1:8765";

unsigned status(const Knock& knock) { return judge(knock, kDoor).refused; }
std::string path(const std::string& rest) { return "/" + kDoor.token + "/" + rest; }

}  // namespace

TEST_CASE("whoever has the token gets the page's files and nothing else") {
  const std::string index = path(""), script = path("live.js");
  CHECK(judge({"GET", index, kHost, ""}, kDoor).file == "index.html");
  CHECK(judge({"HEAD", script, kHost, kOrigin}, kDoor).file == "live.js");
  for (const char* rest : {"page.cpp", "../live.js", "..%2flive.js", "live.js/", "/live.js", "live.js?x",
                           "%6cive.js", "live.css\\..\\live.js", "index.html#", " "}) {
    const std::string target = path(rest);
    CHECK_MESSAGE(status({"GET", target, kHost, ""}) == 404, target);
  }
}

TEST_CASE("a wrong token is not told from a path that there is not") {
  std::string wrong = kDoor.token;
  wrong.back() = wrong.back() == '0' ? '1' : '0';
  for (const std::string& target :
       {std::string("/"), std::string(""), std::string("*"), "/" + wrong + "/", "/" + kDoor.token,
        "/" + kDoor.token.substr(1) + "/", "/" + kDoor.token + "0/", "//" + kDoor.token + "/", wrong})
    CHECK_MESSAGE(status({"GET", target, kHost, ""}) == 404, target);
}

TEST_CASE("no foreign name leads here, and no foreign page") {
  const std::string index = path(""), bench = path("bench");
  for (const char* host : {"", "bench.example:8765", "127.0.0.1", "127.0.0.1:8766", "127.0.0.1:8765.example"})
    CHECK_MESSAGE(status({"GET", index, host, ""}) == 403, host);
  for (const char* host : {"localhost:8765", "[::1]:8765"}) CHECK(status({"GET", index, host, ""}) == 0);
  for (const char* origin :
       {"null", "https://127.0.0.1:8765", "http://127.0.0.1:8766", "http://bench.example",
        "http://127.0.0.1:8765.example", "http://localhost:8765"}) {
    CHECK_MESSAGE(status({"GET", bench, kHost, origin, true}) == 403, origin);
    CHECK_MESSAGE(status({"GET", index, kHost, origin}) == 403, origin);
  }
  CHECK(status({"GET", bench, kHost, "", true}) == 403);  // a browser always says where from
  CHECK(judge({"GET", bench, kHost, kOrigin, true}, kDoor).bench);
  CHECK(status({"GET", bench, kHost, kOrigin, false}) == 426);
  CHECK(status({"POST", index, kHost, kOrigin}) == 405);
}

TEST_CASE("bound to other addresses, any name of the machine will do, with the token and our own origin") {
  const Door open{kDoor.token, "0.0.0.0", 8765, false};
  const std::string bench = path("bench");
  CHECK(judge({"GET", bench, "lab-7:8765", "http://lab-7:8765", true}, open).bench);
  CHECK(judge({"GET", bench, "lab-7:8765", "http://lab-8:8765", true}, open).refused == 403);
}

TEST_CASE("tokens are 128 bits in hexadecimal, no two alike") {
  std::set<std::string> tokens;
  for (int i = 0; i < 100; ++i) tokens.insert(new_token());
  CHECK(tokens.size() == 100);
  for (const auto& token : tokens) {
    CHECK(token.size() == 32);
    CHECK(token.find_first_not_of("0123456789abcdef") == std::string::npos);
  }
  CHECK(same_text("abc", "abc"));
  CHECK_FALSE(same_text("abc", "abd"));
  CHECK_FALSE(same_text("abc", "ab"));
  CHECK_FALSE(same_text("abc", ""));
  CHECK(same_text("", ""));
}
