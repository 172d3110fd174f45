"""Tests of the shell: sockets, disk, voices, the command line."""
