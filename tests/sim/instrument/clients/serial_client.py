"""A client that is not ours: python3-serial drives a virtual source through a small charge.

    serial_client.py PORT
"""

import sys

import serial


def main():
    with serial.Serial(sys.argv[1], 115200, timeout=10, exclusive=True) as port:
        def tell(line):
            port.write(line.encode() + b"\n")
            port.write(b"SYST:ERR?\n")
            answer = port.readline()
            assert answer == b'0,"No error"\n', (line, answer)

        def ask(line):
            port.write(line.encode() + b"\n")
            answer = port.readline()
            assert answer.endswith(b"\n"), (line, answer)
            return answer.decode().strip()

        assert ask("*IDN?").startswith("slowfilm,virtual two-quadrant source,src,")
        assert ask("*ESR?") == "128" and ask("*ESR?") == "0"
        tell("SYST:REM")
        rest = float(ask("MEAS:VOLT?"))
        for line in ("CURR 0", "VOLT:PROT 4.3", "VOLT 4.2", "CURR 2", "OUTP ON"):
            tell(line)
        assert float(ask("VOLT?")) == 4.2 and ask("OUTP?") == "1"
        current = voltage = 0.0
        for _ in range(20):
            voltage, current = float(ask("MEAS:VOLT?")), float(ask("MEAS:CURR?"))
        assert abs(current - 2.0) < 1e-3, current
        assert rest + 0.01 < voltage < 4.2, (rest, voltage)
        assert ask("SOUR:MODE?") == "CC"
        tell("OUTP OFF")
        assert ask("OUTP?") == "0" and float(ask("MEAS:CURR?")) == 0.0
        port.write(b"NONSENSE\n")
        assert ask("SYST:ERR?") == '-113,"Undefined header"'
    print("charged", round(voltage - rest, 4))


main()
