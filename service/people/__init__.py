"""The people of a room: who they are, what they may do, and how they sign in.

`roles`, `passwords` and `sessions` are pure rules; `accounts` and `signing_in` apply them to the store.
"""
