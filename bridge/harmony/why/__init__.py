"""Why a chord is not purer: what each variant would leave off (`forms`), the `reasons`, and chords that may be kept
equal (`equal_chords`).
"""
