"""How the responses change with the room's size and with the planes of a shape: slopes for the steps of a fit."""
