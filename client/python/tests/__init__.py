"""Tests of the client against the real daemon. See DEVELOPERS.md for how to run them alone."""
