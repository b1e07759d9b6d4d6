"""The record of a shop's knives: what was known, photographed and measured, and when."""
