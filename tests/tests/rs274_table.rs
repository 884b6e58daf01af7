//! Small programs and what the standard demands of them, one row each.
//!
//! The section that stands first is that of T. R. Kramer, F. M. Proctor, E. Messina, *The NIST RS274NGC Interpreter -
//! Version 3*, NISTIR 6556, 2000; `practice` is common practice of the additive dialects, without a source.
//!
//! What is demanded is where the machine ends, in millimetres (further words: `E`, `F` per minute), or `error` and a part
//! of the message, or after `path` the ends of all motions. Every program begins with a feed of 100.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use gapkeeper_host_tools::gcode::{Action, GcodeError, Interpreter, Position, Reader};

const ROWS: &[(&str, &str, &str)] = &[
    // Lines, blanks, case.
    ("3.3", "g0x +0. 12 34y 7", "0.1234 7 0"),
    ("3.3", "g0 x+0.1234 y7", "0.1234 7 0"),
    ("3.3", "\tG0\tX1\t0", "10 0 0"),
    ("3.3", "G 0 X 1 Y - 2", "1 -2 0"),
    ("3.3", "\n\nG0X1\n\n", "1 0 0"),
    ("3.3", "G0 X1 X2", "error X stands twice"),
    ("3.3.1", "N1 G0 X1\nN1 G0 X2", "2 0 0"),
    ("3.3.1", "N99999 G0 X1", "1 0 0"),
    ("3.3.1", "N000009 G0 X1", "error line number"),
    ("3.3.1", "N100000 G0 X1", "error line number"),
    ("3.3.1", "G0 N5 X1", "error behind the start"),
    ("3.3.1", "N-5 G0 X1", "error line number"),
    ("3.3.1", "N 1 2 G0 X1", "1 0 0"),
    ("3.3", "/G0 X1", "1 0 0"),
    ("3.3", "/N5 G0 X1", "1 0 0"),
    ("3.3", "N5 /G0 X1", "error begins no word"),
    ("3.1", "%\nG0 X1\n%\nG0 X9", "1 0 0"),
    ("3.1", "G0 X1\nM2\nG0 X9", "1 0 0"),
    ("3.1", "G0 X1\nM30\nG0 X9", "1 0 0"),
    // Numbers.
    ("3.3.2.1", "G0 X1.", "1 0 0"),
    ("3.3.2.1", "G0 X.5", "0.5 0 0"),
    ("3.3.2.1", "G0 X+0.", "0 0 0"),
    ("3.3.2.1", "G0 X-0.8807", "-0.8807 0 0"),
    ("3.3.2.1", "G0 X341", "341 0 0"),
    ("3.3.2.1", "G0 X.", "error number"),
    ("3.3.2.1", "G0 X-", "error number"),
    ("3.3.2.1", "G0 X1.2.3", "error begins no word"),
    ("3.3.2.1", "G0 X--1", "error number"),
    ("3.3.2.1", "G0 X1.2e-05", "error exponent"),
    ("3.3.2.1", "G0 X1E+02", "error exponent"),
    ("3.3.2.1", "G00 X1", "1 0 0"),
    ("3.3.2.1", "G01.0 X1", "1 0 0"),
    ("3.3.2.1", "G1.000005 X1", "1 0 0"),
    ("3.3.2.1", "G1.00005 X1", "error no code"),
    ("3.3.2.1", "M3.00005 G0 X1", "1 0 0"),
    ("3.3.2.1", "M3.5", "error no code"),
    ("3.3.2.1", "G-1 X1", "error no code"),
    ("3.3.2.1", "T1.5", "error whole number"),
    ("3.3.2.1", "T1.00005", "0 0 0"),
    // Parameters.
    ("3.3.2.2", "#3=15\nG0 X#3", "15 0 0"),
    ("3.3.2.2", "#1=2\n##1=0.375\nG0 X#2", "0.375 0 0"),
    ("3.3.2.2", "#3=7\n#3=5 G0 X#3", "7 0 0"),
    ("3.3.2.2", "#3=7\n#3=5 G0 X#3\nG0 X#3", "5 0 0"),
    ("3.3.3", "#3=15 #3=6\nG0 X#3", "6 0 0"),
    ("3.3.2.2", "#[1+2]=4\nG0 X#3", "4 0 0"),
    ("3.3.2.2", "# 3 = 4\nG0 X # 3", "4 0 0"),
    ("3.2.1", "G0 X#0", "error 1 to 5399"),
    ("3.2.1", "G0 X#5400", "error 1 to 5399"),
    ("3.2.1", "G0 X#1.5", "error 1 to 5399"),
    ("3.3.2.2", "G0 X#7", "error has not been set"),
    ("3.3.2.2", "#1=1\nG#1 X5", "5 0 0"),
    ("3.3.2.2", "#4=[3*2] G1 #5=2\nX#4 Y#5", "6 2 0"),
    ("3.3.2.2", "#1 2", "error expression"),
    // Expressions, Appendix C.2 among them.
    ("3.3.2.3", "G0 X[2.0 / 3 * 1.5 - 5.5 / 11.0]", "0.5 0 0"),
    ("3.3.2.3", "G0 X[1 + 2]", "3 0 0"),
    ("3.3.2.3", "G0 X[1 - 2]", "-1 0 0"),
    ("3.3.2.3", "G0 X[1 --3]", "4 0 0"),
    ("3.3.2.3", "G0 X[2/5]", "0.4 0 0"),
    ("3.3.2.3", "G0 X[3.0 * 5]", "15 0 0"),
    ("3.3.2.3", "G0 X[0 OR 0]", "0 0 0"),
    ("3.3.2.3", "G0 X[0 OR 1]", "1 0 0"),
    ("3.3.2.3", "G0 X[2 or 2]", "1 0 0"),
    ("3.3.2.3", "G0 X[0 AND 1]", "0 0 0"),
    ("3.3.2.3", "G0 X[2 and 2]", "1 0 0"),
    ("3.3.2.3", "G0 X[0 XOR 1]", "1 0 0"),
    ("3.3.2.3", "G0 X[2 xor 2]", "0 0 0"),
    ("3.3.2.3", "G0 X[15 MOD 4.0]", "3 0 0"),
    ("3.3.2.3", "G0 X[1 + 2 * 3 - 4 / 5]", "6.2 0 0"),
    ("3.3.2.3", "G0 X[2 ** 3.0]", "8 0 0"),
    ("3.3.2.3", "G0 X[2 * 3 ** 2]", "18 0 0"),
    ("3.3.2.3", "G0 X[[1+2]*[3+4]]", "21 0 0"),
    ("3.3.2.3", "G0 X[8 / 4 / 2]", "1 0 0"),
    ("3.3.2.3", "G0 X[8 - 4 - 2]", "2 0 0"),
    ("3.3.2.3", "G0 X[1+2", "error expression"),
    ("3.3.2.3", "G0 X1+2]", "error begins no word"),
    ("3.3.2.3", "G0 X[1/0]", "error no result"),
    ("3.3.2.3", "G0 X[]", "error expression"),
    ("3.3.2.4", "G0 X sin[30]", "0.5 0 0"),
    ("3.3.2.4", "G0 Xcos[0.0]", "1 0 0"),
    ("3.3.2.4", "G0 X tan[60.0]", "1.7320508 0 0"),
    ("3.3.2.4", "G0 X sqrt[3]", "1.7320508 0 0"),
    ("3.3.2.4", "G0 X atan[1]/[1]", "45 0 0"),
    ("3.3.2.4", "G0 X atan[-1]/[-1]", "-135 0 0"),
    ("3.3.2.4", "G0 X atan[1]", "error expression"),
    ("3.3.2.4", "G0 X asin[1.0]", "90 0 0"),
    ("3.3.2.4", "G0 X acos[0.5]", "60 0 0"),
    ("3.3.2.4", "G0 X acos[2]", "error no result"),
    ("3.3.2.4", "G0 X abs[-1.23]", "1.23 0 0"),
    ("3.3.2.4", "G0 X round[-0.499]", "0 0 0"),
    ("3.3.2.4", "G0 X round[-0.5001]", "-1 0 0"),
    ("3.3.2.4", "G0 X round[2.444]", "2 0 0"),
    ("3.3.2.4", "G0 X fix[2.8]", "2 0 0"),
    ("3.3.2.4", "G0 X fix[-2.8]", "-3 0 0"),
    ("3.3.2.4", "G0 X fup[2.8]", "3 0 0"),
    ("3.3.2.4", "G0 X fup[-2.8]", "-2 0 0"),
    ("3.3.2.4", "G0 X exp[0]", "1 0 0"),
    ("3.3.2.4", "G0 X ln[1]", "0 0 0"),
    ("3.3.2.4", "G0 X ln[0]", "error no result"),
    ("3.3.2.4", "G0 X sqrt[3**2 + 4**2]", "5 0 0"),
    ("3.3.2.4", "G0 X sinus[3]", "error"),
    // Comments.
    ("3.3.4", "G0 (X9) X1 (Y9)", "1 0 0"),
    ("3.3.4", "(MSG, G0 X9) G0 X1", "1 0 0"),
    ("3.3.4", "G0 X1 (open", "error not closed"),
    ("3.3.4", "G0 X1 (a (b) c)", "error inside a comment"),
    ("practice", "G0 X1 ; X9 (", "1 0 0"),
    // Modal groups.
    ("3.3.5", "G0 G1 X1", "error G0 and G1"),
    ("3.3.5", "G17 G18", "error G17 and G18"),
    ("3.3.5", "G90 G91 G0 X1", "error G90 and G91"),
    ("3.3.5", "G20 G21", "error G20 and G21"),
    ("3.3.5", "G93 G94", "error G93 and G94"),
    ("3.3.5", "G40 G41 G0 X1", "error G40 and G41"),
    ("3.3.5", "G43 G49", "error G43 and G49"),
    ("3.3.5", "G98 G99", "error G98 and G99"),
    ("3.3.5", "G54 G55", "error G54 and G55"),
    ("3.3.5", "G61 G64", "error G61 and G64"),
    ("3.3.5", "G4 P1 G92 X1", "error G4 and G92"),
    ("3.3.5", "M3 M4", "error M3 and M4"),
    ("3.3.5", "M7 M9", "error M7 and M9"),
    ("3.3.5", "M48 M49", "error M48 and M49"),
    ("3.3.5", "M0 M30", "error M0 and M30"),
    ("3.3.5", "M3 M7 M48 M6 M0", "error more than four"),
    ("3.3.5", "G0 G17 G21 G40 G49 G54 G64 G90 G94 G98 X1", "1 0 0"),
    ("3.3.5", "G1 G92 X1", "error both use the axis words"),
    ("3.3.5", "G0 G10 L2 P1 X1", "error both use the axis words"),
    ("3.3.5", "G80 X1", "error no motion mode"),
    ("3.4", "X1", "error no motion mode"),
    ("3.5.1", "G0 X1\nY2\nZ3", "1 2 3"),
    // Order on a line.
    ("3.8", "X1 G0", "1 0 0"),
    ("3.8", "G0 X1 G91\nX1", "2 0 0"),
    ("3.8", "G0 X1\nX1 G91", "2 0 0"),
    ("3.8", "G0 X1 G20", "25.4 0 0"),
    ("3.8", "G1 X10 F200", "10 0 0 F200"),
    ("3.8", "G91 G0 X1 M2\nG0 X5", "1 0 0"),
    ("3.8", "G91 X1 G0 F7", "1 0 0 F7"),
    // Straight motion, units, distance modes, planes.
    ("3.5.1", "G0", "0 0 0"),
    ("3.5.1", "G0 X1 Y2 Z3", "1 2 3"),
    ("3.5.2", "G1 X1 Y2 Z3", "1 2 3 F100"),
    ("3.5.2", "F0\nG1 X1", "error no feed"),
    ("3.5.2", "G1 X1 F-5", "error out of range"),
    ("3.5.2", "G1 X1 I1", "error I belongs to an arc"),
    ("3.5.2", "G1 X1 R1", "error R belongs to an arc"),
    ("3.5.2", "G1 X", "error no number"),
    ("3.5.7", "G20 G0 X1\nG21 X2", "2 0 0"),
    ("3.5.7", "G20 G1 X1 F2", "25.4 0 0 F50.8"),
    ("3.5.7", "G20 G0 X1.0001", "25.40254 0 0"),
    ("3.5.17", "G0 X1\nG91 X1\nX1\nG90 X5", "5 0 0"),
    ("3.5.17", "G91 G0 X1 Y1\nX-3", "-2 1 0"),
    ("3.5.19", "G93 G1 X1 F2", "1 0 0"),
    ("3.5.19", "G93 G1 X1 F2\nX2", "error under G93"),
    ("3.5.19", "G93 G0 X1", "1 0 0"),
    ("3.5.19", "G93 G1 X1 F2\nG94 X2 F50", "2 0 0 F50"),
    // Arcs.
    ("3.5.3", "G2", "error without any axis word"),
    ("3.5.3.1", "G17 G2 x 10 y 15 r 20 z 5", "10 15 5"),
    ("3.5.3.1", "G2 X0 R5", "error ends where it starts"),
    ("3.5.3.1", "G2 Z1 R5", "error without any axis word"),
    ("3.5.3.1", "G2 X20 R9", "error less than half the way"),
    ("3.5.3.1", "G2 X20 R-10", "20 0 0"),
    ("3.5.3.1", "G2 X20 R10 I10", "error with a radius and with offsets"),
    ("3.5.3.2", "G0 X7 Y7\nG17 G2 x 10 y 16 i 3 j 4 z 9", "10 16 9"),
    ("3.5.3.2", "G0 X10\nG3 X0 Y10.0019 I-10", "0 10.0019 0"),
    ("3.5.3.2", "G0 X10\nG3 X0 Y10.0021 I-10", "error more than 0.002 mm"),
    ("3.5.3.2", "G20 G0 X10\nG3 X0 Y10.00019 I-10", "0 254.004826 0"),
    ("3.5.3.2", "G20 G0 X10\nG3 X0 Y10.00021 I-10", "error more than 0.00508 mm"),
    ("3.5.3.2", "G2 X5 Y5", "error neither a radius"),
    ("3.5.3.2", "G2 X5 Y5 K1", "error K is not an offset"),
    ("3.5.3.2", "G18 G2 X2 Z2 I2 K0", "2 0 2"),
    ("3.5.3.2", "G19 G2 Y2 Z2 J0 K2", "0 2 2"),
    ("3.5.3.2", "G18 G2 X2 Z2 J2", "error J is not an offset"),
    ("3.5.3.2", "G0 X1\nG91 G2 X2 I1", "3 0 0"),
    ("3.5.3.2", "G0 X32.5\ng2 x32.5 j2.5", "32.5 0 0"),
    ("practice", "G0 X5 Y5\nG2 I5", "5 5 0"),
    ("practice", "G0 X5 Y5\nG2 I5 P3 Z3", "5 5 3"),
    ("practice", "G2 I5 P0", "error how many turns"),
    ("practice", "G2 I5 P1.5", "error how many turns"),
    // Dwell.
    ("3.5.4", "G4 P1.5", "0 0 0"),
    ("3.5.4", "G4", "error needs P"),
    ("3.5.4", "G4 P1 X1", "error axis words beside"),
    ("3.5.4", "G0 X1\nG4 P1\nX2", "2 0 0"),
    // Origins and shifts.
    ("3.5.5", "G10 L2 P1 X10\nG0 X5", "15 0 0"),
    ("3.5.5", "G10 L2 P2 X10 Y20 Z30\nG0 X5\nG55 X5 Y0 Z1", "15 20 31"),
    ("3.5.5", "G10 L2 P9 X10\nG59.3 G0 X1", "11 0 0"),
    ("3.5.5", "G10 L2 P10 X10", "error P1 to P9"),
    ("3.5.5", "G10 L2 P0 X10", "error P1 to P9"),
    ("3.5.5", "G10 L2 X10", "error P1 to P9"),
    ("3.5.5", "G0 X1\nG10 L2 P1 X10", "1 0 0"),
    ("3.5.5", "G91 G10 L2 P1 X10\nG90 G0 X0", "10 0 0"),
    ("3.5.13", "G10 L2 P2 X10\nG55 G0 X0\nG54 X0", "0 0 0"),
    ("3.5.13", "G10 L2 P3 X1\nG10 L2 P4 X2\nG56 G0 X0\nG57 X0", "2 0 0"),
    ("3.5.12", "G10 L2 P1 X10\nG53 G0 X5", "5 0 0"),
    ("3.5.12", "G92 X10\nG53 G1 X5", "5 0 0"),
    ("3.5.12", "G0 X1\nG53 X5\nX2", "2 0 0"),
    ("3.5.12", "G53 G2 X1 I1", "error G53 without a straight"),
    ("3.5.12", "G53 X5", "error G53 without a straight"),
    ("3.5.18", "G0 X4\nG92 X7\nG0 X7", "4 0 0"),
    ("3.5.18", "G0 X4\nG92 X7\nG92 X9\nG0 X0", "-5 0 0"),
    ("3.5.18", "G0 X4\nG92 X7\nG92.1\nG0 X0", "0 0 0"),
    ("3.5.18", "G0 X4\nG92 X7\nG92.2\nG0 X0\nG92.3\nX0", "-3 0 0"),
    ("3.5.18", "G0 X4\nG92 X7\nG92.1\nG92.3\nG0 X0", "0 0 0"),
    ("3.5.18", "G0 X4\nG92 X7\nG91 G0 X1", "5 0 0"),
    ("3.5.18", "G10 L2 P1 X10\nG0 X0\nG92 X5\nG0 X0", "5 0 0"),
    ("3.5.18", "G20 G0 X1\nG92 X0\nG0 X1", "50.8 0 0"),
    // Words that change no place.
    ("3.5.9", "G40 G0 X1", "1 0 0"),
    ("3.5.14", "G61 G0 X1\nG61.1 X2\nG64 X3", "3 0 0"),
    ("3.6.2", "M3 S1000 G0 X1", "1 0 0"),
    ("3.6.2", "M3 S-1", "error S may not be negative"),
    ("3.7.3", "T-1", "error T may not be negative"),
    ("3.6.3", "T1 M6\nG0 X1", "1 0 0"),
    ("3.6.5", "M48 G0 X1", "1 0 0"),
    ("3.6.1", "M0\nG0 X1\nM1\nM60\nX2", "2 0 0"),
    // Canned cycles.
    ("3.5.16", "G80\nG0 X1", "1 0 0"),
    ("3.5.16.2", "G0 X1 Y2 Z3\nG90 G81 G98 X4 Y5 Z1.5 R2.8", "path 1 2 3, 4 5 3, 4 5 2.8, 4 5 1.5, 4 5 3"),
    (
        "3.5.16.2",
        "G0 X1 Y2 Z3\nG91 G81 G98 X4 Y5 Z-0.6 R1.8 L3",
        "path 1 2 3, 1 2 4.8, 5 7 4.8, 5 7 4.2, 5 7 4.8, 9 12 4.8, 9 12 4.2, 9 12 4.8, 13 17 4.8, 13 17 4.2, 13 17 4.8",
    ),
    ("3.5.16", "G0 Z3\nG99 G81 X4 Z1 R2", "path 0 0 3, 4 0 3, 4 0 2, 4 0 1, 4 0 2"),
    ("3.5.16", "G0 Z3\nG81 X4 Z1 R2\nX5", "path 0 0 3, 4 0 3, 4 0 2, 4 0 1, 4 0 3, 5 0 3, 5 0 2, 5 0 1, 5 0 3"),
    ("3.5.16", "G0 Z3\nG81 X4 Z1 R2\nG0 X6\nG81 X7", "error lacks R"),
    ("3.5.16", "G0 Z3\nG81 X4 Z1", "error lacks R"),
    ("3.5.16", "G0 Z3\nG81 X4 R2", "error lacks the depth"),
    ("3.5.16", "G0 Z3\nG81 X4 Z3 R2", "error below the bottom"),
    ("3.5.16", "G0 Z3\nG81 X4 Z1 R2 L0", "error whole number above 0"),
    ("3.5.16", "G0 Z3\nG93 G81 X4 Z1 R2 F1", "error under G93"),
    ("3.5.16.3", "G0 Z3\nG82 X4 Z1 R2", "error lacks P"),
    ("3.5.16.3", "G0 Z3\nG82 X4 Z1 R2 P1", "path 0 0 3, 4 0 3, 4 0 2, 4 0 1, 4 0 3"),
    ("3.5.16.4", "G0 Z3\nG83 X4 Z1 R2", "error lacks Q"),
    ("3.5.16.4", "G0 Z3\nG83 X4 Z1 R2 Q0", "error Q of G83"),
    ("3.5.16.4", "G0 Z3\nG83 X4 Z1 R2 Q0.6", "path 0 0 3, 4 0 3, 4 0 2, 4 0 1.4, 4 0 3, 4 0 1.65, 4 0 1, 4 0 3"),
    ("3.5.16.5", "G0 Z3\nG84 X4 Z1 R2", "path 0 0 3, 4 0 3, 4 0 2, 4 0 1, 4 0 3"),
    ("3.5.16.6", "G0 Z3\nG85 X4 Z1 R2", "path 0 0 3, 4 0 3, 4 0 2, 4 0 1, 4 0 3"),
    ("3.5.16.7", "G0 Z3\nG86 X4 Z1 R2 P1", "path 0 0 3, 4 0 3, 4 0 2, 4 0 1, 4 0 3"),
    ("3.5.16.8", "G0 Z3\nG87 X4 Z1 R2", "error lacks I, J and K"),
    ("3.5.16.9", "G0 Z3\nG88 X4 Z1 R2 P1", "path 0 0 3, 4 0 3, 4 0 2, 4 0 1, 4 0 3"),
    ("3.5.16.10", "G0 Z3\nG89 X4 Z1 R2 P1", "path 0 0 3, 4 0 3, 4 0 2, 4 0 1, 4 0 3"),
    ("3.5.16", "G0 Y3\nG18 G81 X4 Y1 R2", "path 0 3 0, 4 3 0, 4 2 0, 4 1 0, 4 3 0"),
    ("3.5.16", "G0 X3\nG19 G81 Y4 X1 R2", "path 3 0 0, 3 4 0, 2 4 0, 1 4 0, 3 4 0"),
    ("3.5.16.1", "G81 X4 Z1 R2", "path 0 0 2, 4 0 2, 4 0 1, 4 0 2"),
    // The additive dialects.
    ("practice", "G1 X1 E2", "1 0 0 E2"),
    ("practice", "G0 X1 E2", "1 0 0 E2"),
    ("practice", "M83\nG1 E2\nG1 E2", "0 0 0 E4"),
    ("practice", "M82\nG1 E2\nG1 E2", "0 0 0 E2"),
    ("practice", "G91\nG1 E2\nG1 E2", "0 0 0 E4"),
    ("practice", "M83\nG90\nG1 X1 E2\nG1 X2 E2", "2 0 0 E4"),
    ("practice", "G1 E5\nG92 E0\nG1 E2", "0 0 0 E7"),
    ("practice", "F0\nM82\nG1 X1", "1 0 0"),
    ("practice", "G0 X5 Y5\nG28", "0 0 0"),
    ("practice", "G0 X5 Y5\nG28 X", "0 5 0"),
    ("practice", "M117 X9 Y9\nG0 X1", "1 0 0"),
    ("practice", "M987 0.2 mm layers\nG0 X1", "1 0 0"),
    ("practice", "M987.1 P \"x\"\nG0 X1", "1 0 0"),
    ("practice", "M0 Press to go on\nG0 X1", "1 0 0"),
    ("practice", "START_JOB BED=60\nG0 X1", "1 0 0"),
    ("practice", "T?\nG0 X1", "1 0 0"),
    ("practice", "G0 X1\nG92\nX2", "2 0 0"),
    ("practice", "G987 X5\nG0 Y1", "0 1 0"),
    ("practice", "G0 X1 ; \rX2", "error carriage return"),
    ("practice", "O1003(PROGRAM)\nG0 X1", "1 0 0"),
];

fn at_mm(position: Position) -> [f64; 3] {
    [position.x_nm, position.y_nm, position.z_nm].map(|nm| nm as f64 / 1e6)
}

/// Where a program ends, and where all its motions do.
fn run(program: &str) -> Result<(Interpreter, Vec<[f64; 3]>), GcodeError> {
    let mut interpreter = Interpreter::new();
    let mut path = Vec::new();
    for text in ["F100", program] {
        let mut reader = Reader::new("program", text.as_bytes());
        while let Some(line) = reader.next_line()? {
            match interpreter.execute(&line)? {
                Action::Straight(straight) => path.push(at_mm(straight.end)),
                Action::Arc(arc) => path.push(at_mm(arc.end)),
                Action::Cycle(cycle) => path.extend(cycle.moves().map(|straight| at_mm(straight.end))),
                _ => {}
            }
        }
    }
    Ok((interpreter, path))
}

fn numbers(text: &str) -> [f64; 3] {
    let numbers: Vec<f64> = text.split_whitespace().map(|number| number.parse().unwrap()).collect();
    numbers.try_into().unwrap()
}

fn are_near(found: [f64; 3], expected: [f64; 3]) -> bool {
    found.iter().zip(expected).all(|(found, expected)| (found - expected).abs() < 1e-6)
}

/// What is wrong about a row; nothing if it is as it should be.
fn judge(program: &str, demanded: &str) -> Result<(), String> {
    let outcome = run(program);
    if let Some(message) = demanded.strip_prefix("error") {
        return match outcome {
            Err(error) if error.to_string().contains(message.trim()) => Ok(()),
            Err(error) => Err(error.to_string()),
            Ok((interpreter, _)) => Err(format!("no error, at {:?}", interpreter.position())),
        };
    }
    let (interpreter, path) = outcome.map_err(|error| error.to_string())?;
    if let Some(demanded) = demanded.strip_prefix("path") {
        let demanded: Vec<_> = demanded.split(',').map(numbers).collect();
        let is_same =
            demanded.len() == path.len() && demanded.iter().zip(&path).all(|(there, here)| are_near(*here, *there));
        return if is_same { Ok(()) } else { Err(format!("{path:?}")) };
    }
    let words: Vec<_> = demanded.split(' ').collect();
    let mut is_right = are_near(at_mm(interpreter.position()), numbers(&words[..3].join(" ")));
    for word in &words[3..] {
        let (letter, number) = word.split_at(1);
        let found = match letter {
            "E" => interpreter.extruded_nm() as f64,
            _ => interpreter.feed_nm_min().unwrap_or(0) as f64,
        };
        is_right &= (found / 1e6 - number.parse::<f64>().unwrap()).abs() < 1e-6;
    }
    let found = (at_mm(interpreter.position()), interpreter.extruded_nm(), interpreter.feed_nm_min());
    if is_right { Ok(()) } else { Err(format!("{found:?}")) }
}

#[test]
fn every_program_does_what_the_standard_demands() {
    assert!(ROWS.len() >= 200, "{}", ROWS.len());
    let wrong: Vec<_> = ROWS
        .iter()
        .filter_map(|(section, program, demanded)| {
            let error = judge(program, demanded).err()?;
            Some(format!("{section}: {program:?} should be {demanded:?}, but: {error}"))
        })
        .collect();
    assert!(wrong.is_empty(), "{} of {} rows:\n{}", wrong.len(), ROWS.len(), wrong.join("\n"));
}
