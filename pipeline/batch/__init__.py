"""What spans jobs: the plan of a night, the line of stages, the pooled order and cutting, the board."""
