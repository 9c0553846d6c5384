"""Sound in and out of this computer: which inputs and outputs there are, and live sound through them.

`asking` asks the sound system first in a process of its own, since a broken one takes the asker along.
"""
