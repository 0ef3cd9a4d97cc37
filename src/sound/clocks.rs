//! Two clocks, told apart by the callbacks' own counts.

/// How the clocks of input and output compare.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClockDrift {
    /// The input's clock against the output's, in parts per million.
    pub ppm: f64,
    /// How far that can be trusted, plus or minus.
    pub within: f64,
}

/// The two callbacks' counts over a sitting; the slope of one over the other is how the clocks compare. No clock of the wall is asked.
#[derive(Debug, Default)]
pub(super) struct Clocks {
    first: Option<(u64, u64)>,
    n: f64,
    sums: [f64; 5],
}

impl Clocks {
    pub(super) fn see(&mut self, (out, taken): (u64, u64)) {
        if out == 0 || taken == 0 {
            return;
        }
        let first = *self.first.get_or_insert((out, taken));
        let (x, y) =
            (out.saturating_sub(first.0) as f64, taken.saturating_sub(first.1) as f64 - out.saturating_sub(first.0) as f64);
        let [sx, sy, sxx, sxy, syy] = &mut self.sums;
        self.n += 1.0;
        *sx += x;
        *sy += y;
        *sxx += x * x;
        *sxy += x * y;
        *syy += y * y;
    }

    /// The slope of the difference of counts over the output's count, with three times its standard error.
    pub(super) fn drift(&self) -> Option<ClockDrift> {
        let [sx, sy, sxx, sxy, syy] = self.sums;
        let spread = sxx - sx * sx / self.n;
        if self.n < 50.0 || spread <= 0.0 {
            return None;
        }
        let slope = (sxy - sx * sy / self.n) / spread;
        let rest = ((syy - sy * sy / self.n) - slope * slope * spread).max(0.0) / (self.n - 2.0);
        Some(ClockDrift { ppm: 1e6 * slope, within: 3e6 * (rest / spread).sqrt() })
    }
}
