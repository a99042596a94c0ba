"""The page as package data: with this file no other folder called web, where somebody works, is taken for it."""
