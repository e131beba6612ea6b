"""What the lessons need: checkers of exercises, small simulated measurements, and saving what a student found."""
