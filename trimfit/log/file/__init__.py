"""The log's file: opened, brought up to date, written in whole transactions, checked."""
