"""A bundle read back: `verify` goes through its files, `checks` has the test that suits each.

`read` decodes single files, `hear` listens to a retuned track without sound.
"""
