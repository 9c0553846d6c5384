"""What a person sees of the desk in the terminal: a picture that is drawn again, or plain lines.

`playing`, `drone`, `tuner` and `singer` are views of what each is named after; `screen` draws their pictures, `letters`
has the large letters in them.
"""
