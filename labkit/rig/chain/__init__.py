"""What follows the jack, stage by stage."""
