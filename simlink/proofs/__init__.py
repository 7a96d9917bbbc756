"""What holds whatever is drawn: a proof for each limit, or what it lacks."""
