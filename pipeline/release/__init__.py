"""What may leave the practice: the gate, the memory of what left, and pooling with others."""
