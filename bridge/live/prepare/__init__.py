"""From what a person asked for to a plan for the player: a `keyboard`, a `drone`, or an `evening` of a session."""
