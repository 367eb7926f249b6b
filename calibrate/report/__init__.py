"""The season as one page of HTML, made of what the commands print.

In: the sections, each as what its commands printed and drew.
Out: one file without script and network, for screen and A4.
"""

__all__ = ["facts", "methods", "page"]
