"""How much of the writing other people can read: word pictures in shuffled order for adults to read, and the score."""
