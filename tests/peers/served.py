"""Serves a supply of PyVISA-sim on a free port of 127.0.0.1, which it prints. Argument: its file."""

import socketserver
import sys

import pyvisa

manager = pyvisa.ResourceManager(f"{sys.argv[1]}@sim")
supply = manager.open_resource(
    "TCPIP::localhost::5025::SOCKET", read_termination="\n", write_termination="\n"
)
supply.timeout = 50


class Session(socketserver.StreamRequestHandler):
    def handle(self):
        for line in self.rfile:
            supply.write(line.decode("ascii").rstrip("\r\n"))
            # Whatever it answers goes back, to settings as well.
            while True:
                try:
                    reply = supply.read()
                except pyvisa.errors.VisaIOError:
                    break
                self.wfile.write(reply.encode("ascii") + b"\n")


with socketserver.TCPServer(("127.0.0.1", 0), Session) as server:
    print(server.server_address[1], flush=True)
    server.serve_forever()
