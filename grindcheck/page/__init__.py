"""The local page: a phone at the bench and a computer in the shop, one record."""
