"""Virtual blood: from the composition of a sample and the contents of a well to the course of its modulus."""
