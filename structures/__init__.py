"""The pawns: pure computation on skeletons, families and repertoire trees.

This package imports numpy, ``chess`` and the standard library, nothing else.
Import from its modules; each is named after the one concept that it holds.
"""
