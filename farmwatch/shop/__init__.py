"""Pure: rounds, stock, air, wear, yield."""
