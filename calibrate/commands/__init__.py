"""The `calibrate` commands, one module each: parse, call, render.

In: the words of a command line.
Out: tables for people or one JSON document on stdout; messages on stderr.
"""
