"""The next question to a person with a meter: what can be asked, how long it takes, what it would tell."""
