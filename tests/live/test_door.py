"""The live page's door: hostile requests and frames are refused, and what is behind goes on."""
import json
import os
import random
import re
import signal
import socket
import subprocess
import time
import unittest

from bench import Viewer, get, raw, served

MALFORMED = int(os.environ.get("COHLINK_MALFORMED", "2000"))  # requests, and as many frames


def resident_kb(program):
    with open(f"/proc/{program.pid}/status", encoding="ascii") as status:
        return int(re.search(r"VmRSS:\s+(\d+)", status.read())[1])


class Door(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.context = served()
        cls.host, cls.port, cls.token, cls.program = cls.context.__enter__()
        cls.addClassCleanup(cls.context.__exit__, None, None, None)

    def get(self, path, method="GET", body=None, **headers):
        return get(self.host, self.port, path, method, body, **headers)

    def test_the_page_and_its_files_alone_with_headers_that_keep_others_out(self):
        total = 0
        for name in ("", "live.css", "plot.js", "knobs.js", "instruments.js", "live.js"):
            status, headers, body = self.get(f"/{self.token}/{name}")
            self.assertEqual(status, 200)
            self.assertIn("default-src 'none'", headers["Content-Security-Policy"])
            self.assertEqual(headers["X-Content-Type-Options"], "nosniff")
            self.assertEqual(headers["Referrer-Policy"], "no-referrer")
            self.assertNotIn(b"http://", body)  # nothing from elsewhere
            self.assertNotIn(b"https://", body)
            total += len(body)
        self.assertLess(total, 300_000)  # what a first paint needs
        status, headers, body = self.get(f"/{self.token}/live.js", "HEAD")
        self.assertEqual((status, body), (200, b""))

    def test_other_paths_methods_hosts_origins_and_sizes_are_refused(self):
        page = f"/{self.token}/"
        refused = [(404, "/", {}), (404, "/" + "0" * 32 + "/", {}), (404, page + "../../etc/passwd", {}),
                   (404, page + "%2e%2e/", {}), (404, page + "server.cpp", {}), (403, page, {"Host": "bench.example"}),
                   (403, page, {"Origin": "http://bench.example"}), (426, page + "bench", {}),
                   (431, page, {"X-Long": "a" * 20000}), (431, page + "a" * 20000, {})]
        for expected, path, headers in refused:
            self.assertEqual(self.get(path, **headers)[0], expected, (path, list(headers)))
        self.assertEqual(self.get(page, "DELETE")[0], 405)
        self.assertIn(self.get(page, "POST", b"x" * 100)[0], (405, 413))

    def test_a_socket_needs_the_token_and_our_own_origin(self):
        ours = f"http://{self.host}:{self.port}"
        for token, origin, expected in ((self.token, "http://bench.example", 403), (self.token, "", 403),
                                        ("0" * 32, ours, 404), (self.token, ours, 101)):
            with Viewer(self.host, self.port, token, origin=origin) as viewer:
                self.assertEqual(viewer.status, expected)

    def test_only_this_machine_is_listened_to(self):
        with open("/proc/net/tcp", encoding="ascii") as table:
            bound = [line.split()[1] for line in table.readlines()[1:] if line.split()[3] == "0A"]
        self.assertIn(f"0100007F:{self.port:04X}", bound)  # 127.0.0.1, little-endian
        self.assertNotIn(f"00000000:{self.port:04X}", bound)

    def test_malformed_requests_leave_the_server_as_it_was(self):
        chance = random.Random(1)
        page = f"GET /{self.token}/ HTTP/1.1\r\nHost: {self.host}:{self.port}\r\n\r\n".encode()
        pieces = [b"GET ", b"\0", b"\r\n", b"\n\n", b"HTTP/9.9", b"Host:", b"Content-Length: 99999999999999999999\r\n",
                  b"Transfer-Encoding: chunked\r\n\r\nZZ\r\n", b"\xff" * 40, b":" * 20, b"/../" * 30, b"%00", b"Upgrade: websocket\r\n"]
        self.assertTrue(raw(self.host, self.port, page).startswith(b"HTTP/1.1 200"))
        for number in range(MALFORMED):
            data = bytearray(page)
            for _ in range(chance.randint(1, 4)):
                at = chance.randrange(len(data) + 1)
                kind = chance.randrange(3)
                if kind == 0:
                    data[at:at] = chance.choice(pieces)
                elif kind == 1:
                    del data[at:at + chance.randint(1, 30)]
                elif data:
                    data[at % len(data)] = chance.randrange(256)
            answer = raw(self.host, self.port, bytes(data))
            self.assertIsNone(self.program.poll(), (number, bytes(data)))
            status = answer[9:12].decode(errors="replace")
            served_page = b"cohlink" in answer and status == "200"
            self.assertTrue(answer == b"" or served_page or status in ("400", "403", "404", "405", "413", "426", "431"),
                            (bytes(data), answer[:200]))
        self.assertTrue(raw(self.host, self.port, page).startswith(b"HTTP/1.1 200"))

    def test_malformed_frames_close_the_socket_or_are_answered(self):
        chance = random.Random(2)
        texts = ["{", "[]", "3", '{"set":{"key":"adc.bits","value":[[[[]]]]}}', '{"set":null}', '{"look":{"block":-1}}',
                 '{"look":7}', '{"hold":"x"}', '{"block":{}}', '{"preset":{"a":1}}', '{"lecture":1e99}', '{"save":1}',
                 '{"ack":0}', "[" * 8000, '{"a":' * 2000, '{"set":{"key":"signal.pattern_file","value":"/etc/passwd"}}',
                 "\u0000", '{"set":{"key":"channel.osnr_db","value":"' + "9" * 9000 + '"}}']
        viewer = None
        for number in range(MALFORMED):
            viewer = viewer or Viewer(self.host, self.port, self.token)
            if viewer.status != 101:  # rounds of those who left are still ending
                viewer.close()
                viewer = None
                time.sleep(0.05)
                continue
            kind = chance.randrange(5)
            try:
                if kind == 0:
                    viewer.line.sendall(chance.randbytes(chance.randint(1, 60)))
                elif kind == 1:
                    viewer.send_frame(chance.randbytes(chance.randint(0, 200)), chance.choice((1, 2, 3, 8, 9, 10, 11)))
                elif kind == 2:
                    viewer.send_frame(b"x" * 20000)
                elif kind == 3:
                    viewer.line.sendall(b"\x81\xff" + b"\xff" * 8 + chance.randbytes(4))
                else:
                    viewer.send_frame(chance.choice(texts).encode())
                if kind == 4 and chance.random() < 0.7:
                    continue
            except OSError:
                pass
            viewer.close()
            viewer = None
            self.assertIsNone(self.program.poll(), number)
        if viewer:
            viewer.close()
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline:  # seats come free when the last rounds have ended
            try:
                with Viewer(self.host, self.port, self.token) as after:
                    after.rounds(1)
                    return
            except ConnectionError:
                time.sleep(0.1)
        self.fail("the bench did not come back")

    def test_seats_are_counted_and_come_free(self):
        with served("--viewers", 2, "--set", "signal.symbols=4096") as (host, port, token, _):
            viewers = [Viewer(host, port, token) for _ in range(2)]
            for viewer in viewers:
                viewer.rounds(1)
            with Viewer(host, port, token) as third, self.assertRaisesRegex(ConnectionError, "seats"):
                third.rounds(1)
            for viewer in viewers:
                viewer.close()
            for _ in range(100):
                try:
                    with Viewer(host, port, token) as again:
                        again.rounds(1)
                        break
                except ConnectionError:
                    time.sleep(0.1)
            else:
                self.fail("no seat came free")

    def test_a_page_that_draws_slowly_gets_fewer_rounds_and_no_queue(self):
        with served("--set", "signal.symbols=4096") as (host, port, token, program), Viewer(host, port, token) as viewer:
            viewer.rounds(1)
            kind = 0
            while kind != 2:  # a round that is not acknowledged
                kind, _ = viewer.frame()
            while not viewer.quiet(1.0):  # how far the one round ahead is may still be told; no round comes
                self.assertNotEqual(viewer.frame()[0], 2)
            before = resident_kb(program)
            for number in range(300):  # requests without reading: answers of one kind take each other's place
                viewer.say(set={"key": "channel.osnr_db", "value": str(10 + number % 20)})
            time.sleep(2.0)
            self.assertLess(resident_kb(program) - before, 50_000)
            viewer.say(ack=True)
            self.assertEqual(viewer.rounds(1)["version"], viewer.state["version"])

    def test_signals_end_it_with_their_status_and_bad_options_before_it_listens(self):
        for number, status in ((signal.SIGINT, 130), (signal.SIGTERM, 143)):
            with served() as (host, port, token, program), Viewer(host, port, token) as viewer:
                viewer.rounds(1)
                program.send_signal(number)
                self.assertEqual(program.wait(timeout=60), status)
        program = os.environ["COHLINK"]
        for options, said in ((["--port", "70000"], "65535"), (["--address", "here"], "IP address"),
                              (["--port", str(self.port)], "cannot listen"), (["--set", "adc.bits=1"], "adc.bits")):
            run = subprocess.run([program, "live", "--no-browser", *options], capture_output=True, text=True, check=False, timeout=60)
            self.assertEqual(run.returncode, 2, run.stderr)
            self.assertEqual(run.stdout, "")
            self.assertIn(said, run.stderr)

    def test_listening_to_others_is_cautioned_of(self):
        with served("--address", "0.0.0.0") as (_, port, token, program):
            with Viewer("127.0.0.1", port, token) as viewer:
                self.assertEqual(viewer.status, 101)
            program.send_signal(signal.SIGTERM)
            self.assertIn("caution: whoever reaches this machine", program.stderr.read())


if __name__ == "__main__":
    unittest.main()
