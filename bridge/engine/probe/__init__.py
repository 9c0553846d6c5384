"""Finding out what a synth obeys: trials as data, their course, and what the answers mean.

`messages`, `trials` and `bends` say what is sent, `course` and `questions` in what order, `verdicts` what was heard,
and `profile` what is known in the end.
"""
