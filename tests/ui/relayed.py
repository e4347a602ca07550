"""``relayed.py PORT benchlog-words…``: the command, whose window is somebody at the other end of a TCP line.

The recorder starts ``relayed.py --window PORT`` in place of the window; that carries the protocol both ways,
so that a test can hold the real window in its own process and press its keys.
"""

import os
import socket
import sys
import threading


def carry(port):
    line = socket.create_connection(("127.0.0.1", port), 20.0)
    line.settimeout(None)

    def down():
        while block := os.read(0, 65536):
            line.sendall(block)
        line.shutdown(socket.SHUT_WR)

    threading.Thread(target=down, daemon=True).start()
    while block := line.recv(65536):
        os.write(1, block)
    os._exit(0)


def command(port, words):
    from benchlog.cli.main import main
    from benchlog.recorder import window

    window.window_command = lambda: (sys.executable, __file__, "--window", str(port))
    return main(words)


if __name__ == "__main__":
    if sys.argv[1] == "--window":
        carry(int(sys.argv[2]))
    else:
        sys.exit(command(int(sys.argv[1]), sys.argv[2:]))
