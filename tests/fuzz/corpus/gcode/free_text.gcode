G1 X20 M210 free (text
G1 X5 A2 (b)
