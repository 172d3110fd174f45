"""Tests of the core: no clock, no socket, no patching."""
