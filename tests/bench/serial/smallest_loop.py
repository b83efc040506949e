"""The smallest loop that reads what the daemon reads: python3-serial, one port after the other, ten times a second."""

import sys
import time

import serial

seconds = float(sys.argv[1])
ports = [serial.Serial(name, 115200, timeout=1) for name in sys.argv[2:]]
questions = [b"MEAS1:VOLT?\n", b"MEAS1:CURR?\n", b"OUTP1?\n", b"SOUR1:MODE?\n", b"MEAS:TEMP?\n", b"*ESR?\n"]
end = time.monotonic() + seconds
due = time.monotonic()
while due < end:
    for port in ports:
        for question in questions:
            port.write(question)
            answer = port.read_until(b"\n")
            if not answer.endswith(b"\n"):
                sys.exit("a port gave no answer")
            if answer[:1].isdigit() or answer[:1] in b"+-":
                float(answer)
    due += 0.1
    time.sleep(max(0.0, due - time.monotonic()))
