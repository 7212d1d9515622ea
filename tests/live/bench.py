"""A viewer of the live page without a browser: HTTP and WebSocket (RFC 6455) over the standard library."""
import base64
import contextlib
import http.client
import json
import os
import re
import select
import signal
import socket
import struct
import subprocess

import numpy as np


@contextlib.contextmanager
def served(*arguments, folder=None):
    """`cohlink live` with these arguments, as (host, port, token, process)."""
    command = [os.environ["COHLINK"], "live", "--no-browser", *map(str, arguments)]
    with subprocess.Popen(command, cwd=folder, text=True, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
                          stderr=subprocess.PIPE) as program:
        try:
            address = program.stdout.readline()
            found = re.fullmatch(r"http://([^/]+):(\d+)/([0-9a-f]+)/\n", address)
            assert found, address + (program.stderr.read() if program.poll() is not None else "")
            yield found[1], int(found[2]), found[3], program
        finally:
            if program.poll() is None:
                program.send_signal(signal.SIGTERM)
            program.wait(timeout=120)


def get(host, port, path, method="GET", body=None, **headers):
    """Status, headers and body of one request. Headers as keywords: Host="...", Origin="..."."""
    connection = http.client.HTTPConnection(host, port, timeout=60)
    try:
        connection.putrequest(method, path, skip_host="Host" in headers, skip_accept_encoding=True)
        for name, value in headers.items():
            connection.putheader(name.replace("_", "-"), value)
        if body is not None:
            connection.putheader("Content-Length", str(len(body)))
        connection.endheaders(body)
        answer = connection.getresponse()
        return answer.status, answer.headers, answer.read()
    finally:
        connection.close()


def raw(host, port, data, wait=30.0):
    """What comes back for these bytes until the other side closes or says nothing more."""
    with socket.create_connection((host, port), timeout=wait) as line:
        answer = b""
        try:
            line.sendall(data)
            line.shutdown(socket.SHUT_WR)
            while piece := line.recv(65536):
                answer += piece
        except (ConnectionError, socket.timeout):
            pass
        return answer


class Round(dict):
    """The JSON of a round, its arrays as numpy's: points complex, all others real."""

    def __init__(self, data):
        length = struct.unpack_from("<I", data)[0]
        self.arrays = memoryview(data)[4 + length:]
        super().__init__(self.place(json.loads(data[4:4 + length])))

    def place(self, value):
        if isinstance(value, list):
            return [self.place(item) for item in value]
        if not isinstance(value, dict):
            return value
        if value.get("type") == "f32":
            return np.frombuffer(self.arrays, "<f4", value["n"], value["at"])
        if value.get("type") == "i16":
            parts = np.frombuffer(self.arrays, "<i2", value["n"], value["at"]) * value["scale"]
            return parts[0::2] + 1j * parts[1::2]
        return {name: self.place(item) for name, item in value.items()}

    def block(self, title):
        return next(block for block in self["blocks"] if block["title"] == title)


class Viewer:
    """One page's WebSocket."""

    def __init__(self, host, port, token, origin=None, path=None):
        self.line = socket.create_connection((host, port), timeout=120)
        self.held = b""
        key = base64.b64encode(os.urandom(16)).decode()
        origin = f"http://{host}:{port}" if origin is None else origin
        self.line.sendall((f"GET {path or f'/{token}/bench'} HTTP/1.1\r\nHost: {host}:{port}\r\n"
                           + (f"Origin: {origin}\r\n" if origin else "")
                           + "Upgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
                             f"Sec-WebSocket-Key: {key}\r\n\r\n").encode())
        head = b""
        while b"\r\n\r\n" not in head:
            piece = self.line.recv(4096)
            if not piece:
                break
            head += piece
        head, _, self.held = head.partition(b"\r\n\r\n")
        self.status = int(head.split()[1]) if head else 0
        self.state = self.hello = None

    def close(self):
        self.line.close()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()

    def bytes(self, count):
        while len(self.held) < count:
            piece = self.line.recv(1 << 20)
            if not piece:
                raise ConnectionError("closed")
            self.held += piece
        taken, self.held = self.held[:count], self.held[count:]
        return taken

    def frame(self):
        """(opcode, payload) of the next whole message; answers pings."""
        whole, kind = b"", 0
        while True:
            first, second = self.bytes(2)
            size = second & 127
            if size == 126:
                size = struct.unpack(">H", self.bytes(2))[0]
            elif size == 127:
                size = struct.unpack(">Q", self.bytes(8))[0]
            payload = self.bytes(size)
            if first & 15 == 9:
                self.send_frame(payload, 10)
                continue
            kind = first & 15 or kind
            whole += payload
            if first & 128:
                return kind, whole

    def send_frame(self, payload, opcode=1):
        size = len(payload)
        head = bytes([128 | opcode]) + (bytes([128 | size]) if size < 126 else
                                        bytes([128 | 126]) + struct.pack(">H", size) if size < 65536 else
                                        bytes([128 | 127]) + struct.pack(">Q", size))
        mask = os.urandom(4)
        masked = bytes(a ^ b for a, b in zip(payload, mask * (size // 4 + 1)))
        self.line.sendall(head + mask + masked)

    def say(self, **message):
        self.send_frame(json.dumps(message).encode())

    def hear(self):
        """The next message: a dict, or a Round, which is acknowledged."""
        kind, payload = self.frame()
        if kind == 8:
            raise ConnectionError(payload[2:].decode(errors="replace"))
        if kind == 2:
            self.say(ack=True)
            return Round(payload)
        message = json.loads(payload)
        if message["type"] == "hello":
            self.hello = message
        if message["type"] == "state":
            self.state = message
        return message

    def until(self, kind):
        while True:
            message = self.hear()
            if message["type"] == kind:
                return message

    def rounds(self, count):
        """The round that is the `count`-th of the newest bench; AssertionError where that cannot run."""
        while True:
            message = self.hear()
            assert message["type"] != "fault", message
            if message["type"] == "round" and self.state and message["version"] == self.state["version"] \
                    and message["round"] >= count:
                return message

    def ask(self, **message):
        """Asks for a change and gives the state that answers it."""
        self.say(**message)
        return self.until("state")

    def quiet(self, seconds=0.2):
        """Whether nothing comes for so long."""
        return not self.held and not select.select([self.line], [], [], seconds)[0]
