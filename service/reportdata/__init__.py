"""The data that every report carries inside: written so that they alone are enough to work it out again."""
