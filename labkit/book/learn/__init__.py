"""What a workshop's own records say: the next coil predicted from past ones, and a batch judged together."""
