//! What the standard prints.

use cabjury::signal::loudness::k_weighting;
use cabjury::units::SampleRate;

/// ITU-R BS.1770-5 Annex 1, tables 1 and 2: the coefficients at 48 kHz, to all printed digits.
#[test]
fn k_weighting_coefficients_at_48_khz() {
    let [shelf, high] = k_weighting(SampleRate::new(48_000).unwrap());
    let printed = [
        (shelf.b[0], 1.535_124_859_586_97),
        (shelf.b[1], -2.691_696_189_406_38),
        (shelf.b[2], 1.198_392_810_852_85),
        (shelf.a[0], -1.690_659_293_182_41),
        (shelf.a[1], 0.732_480_774_215_85),
        (high.b[0], 1.0),
        (high.b[1], -2.0),
        (high.b[2], 1.0),
        (high.a[0], -1.990_047_454_833_98),
        (high.a[1], 0.990_072_250_366_21),
    ];
    for (found, wanted) in printed {
        assert!((found - wanted).abs() < 5e-14, "found {found:.14}, printed {wanted:.14}");
    }
}
