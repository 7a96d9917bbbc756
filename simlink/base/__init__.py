"""What every room rests on: instants, draws, errors, cautions, whole-file writing."""
