"""The hardware side of the ports: pyserial, PyVISA, a person, an outside command, the clock on the wall."""
