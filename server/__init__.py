"""The shell: sockets, clocks, disk, voices. No rule of the race lives here."""
