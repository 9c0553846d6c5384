"""The pitch of one voice: sung, bowed, blown, or any tone whose pitch wavers.

`notes` finds the notes of a take, `meter` reads blocks as they come, `vibrato` tells a note's centre from its vibrato,
`drone` takes out the drone that we play ourselves.
"""
