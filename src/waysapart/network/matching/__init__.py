"""Which segments a drawn cable follows."""
