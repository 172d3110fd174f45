"""Tests of swingoff: the tree repeats the code it tests; facts in, cues out."""
