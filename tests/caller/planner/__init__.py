"""Tests of the planner against what lies outside it."""
