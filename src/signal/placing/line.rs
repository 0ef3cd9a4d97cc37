//! A straight line through the lags of windows, broken where the lag jumps, with the errors of its slope and of its start.

/// A break of the line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Break {
    /// Where, on the axis of the points: midway between the last point before it and the first behind it.
    pub at: f64,
    /// The last point before it and the first behind it.
    pub between: (f64, f64),
    /// How much higher the line goes on.
    pub height: f64,
}

/// The line.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// Rise per unit of the axis.
    pub slope: f64,
    /// Height at 0, before the first break.
    pub offset: f64,
    /// Standard error of the slope.
    pub slope_error: f64,
    /// Standard error of the height at 0.
    pub offset_error: f64,
    /// Its breaks in order.
    pub jumps: Vec<Break>,
    /// First and last point.
    pub span: (f64, f64),
}

/// Breaks, at most.
const MOST: usize = 8;
/// A break's height is at least so many times the scatter of the points.
const CLEAR: f64 = 8.0;
/// Points on both sides of a break, at least.
const SIDE: usize = 3;
/// Points, at least.
const LEAST: usize = 6;

/// A point: place, height, weight.
type Point = (f64, f64, f64);

impl Line {
    /// Fits points in the order of their places; breaks lower than `least_jump` are taken for scatter. `None` with fewer than six points.
    #[must_use]
    pub fn fit(points: &[Point], least_jump: f64) -> Option<Self> {
        let mut points = points.to_vec();
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        points.retain(|p| p.2 > 0.0 && p.1.is_finite());
        if points.len() < LEAST {
            return None;
        }
        let clear = least_jump.max(CLEAR * scatter(&points));
        drop_strays(&mut points, clear);
        let mut breaks: Vec<usize> = Vec::new();
        let mut now = solve(&points, &breaks)?;
        while breaks.len() < MOST {
            let Some((at, better)) = best_break(&points, &breaks, &now) else { break };
            let with: Vec<usize> = sorted(&breaks, at);
            let height = with.iter().position(|b| *b == at).map_or(0.0, |i| better.heights[i].abs());
            if height < clear || better.rest > 0.5 * now.rest {
                break;
            }
            breaks = with;
            now = better;
        }
        leave_out(&mut points, &mut breaks, &mut now)?;
        let n = points.len() as f64;
        // Windows overlap by half: two of them know hardly more than one.
        let free = (n / 2.0 - 2.0 - breaks.len() as f64).max(1.0);
        // Few points scatter less than they should: Student's t at 2.5 standard errors against the normal's, near enough 1 + 3 / free.
        let widened = (now.rest / (n / 2.0) * (n / 2.0) / free).sqrt() * (1.0 + 3.0 / free);
        Some(Self {
            slope: now.slope,
            offset: now.offset,
            slope_error: now.slope_spread * widened * std::f64::consts::SQRT_2,
            offset_error: now.offset_spread * widened * std::f64::consts::SQRT_2,
            jumps: breaks
                .iter()
                .zip(&now.heights)
                .map(|(k, h)| {
                    let between = (points[k - 1].0, points[*k].0);
                    Break { at: between.0.midpoint(between.1), between, height: *h }
                })
                .collect(),
            span: (points[0].0, points[points.len() - 1].0),
        })
    }

    /// Beginning and end of the longest stretch between breaks, the axis times `scale`; open at the ends.
    #[must_use]
    pub fn longest(&self, scale: f64) -> (f64, f64) {
        let (from, to, _) =
            self.pieces().into_iter().max_by(|a, b| (a.1 - a.0).total_cmp(&(b.1 - b.0))).unwrap_or((0.0, 0.0, 0.0));
        (if from <= self.span.0 { 0.0 } else { from * scale }, if to >= self.span.1 { f64::MAX } else { to * scale })
    }

    /// Height at 0 of the line of the longest stretch.
    #[must_use]
    pub fn longest_start(&self) -> f64 {
        let piece = self.pieces().into_iter().max_by(|a, b| (a.1 - a.0).total_cmp(&(b.1 - b.0)));
        self.offset + piece.map_or(0.0, |p| p.2)
    }

    /// From, to, height over the first.
    fn pieces(&self) -> Vec<(f64, f64, f64)> {
        let mut out = Vec::new();
        let (mut from, mut height) = (self.span.0, 0.0);
        for jump in &self.jumps {
            out.push((from, jump.between.0, height));
            from = jump.between.1;
            height += jump.height;
        }
        out.push((from, self.span.1, height));
        out
    }
}

/// Scatter from second differences: neither a slope nor a break moves it.
fn scatter(points: &[Point]) -> f64 {
    let mut d: Vec<f64> = points.windows(3).map(|w| (w[0].1 - 2.0 * w[1].1 + w[2].1).abs()).collect();
    d.sort_by(f64::total_cmp);
    1.4826 * d.get(d.len() / 2).copied().unwrap_or(0.0) / 6f64.sqrt()
}

/// Leaves out single points that lie off both neighbours' middle values.
fn drop_strays(points: &mut Vec<Point>, limit: f64) {
    let middle = |i: usize| {
        let mut near: Vec<f64> = points[i.saturating_sub(2)..(i + 3).min(points.len())].iter().map(|p| p.1).collect();
        near.sort_by(f64::total_cmp);
        near[near.len() / 2]
    };
    let keep: Vec<bool> = (0..points.len()).map(|i| (points[i].1 - middle(i)).abs() <= limit).collect();
    if keep.iter().filter(|k| **k).count() >= LEAST {
        let mut keep = keep.into_iter();
        points.retain(|_| keep.next().unwrap_or(true));
    }
}

/// Points far off the broken line are left out, and the line is laid anew.
fn leave_out(points: &mut Vec<Point>, breaks: &mut [usize], now: &mut Solved) -> Option<()> {
    for _ in 0..5 {
        let off: Vec<f64> = points.iter().enumerate().map(|(i, p)| (p.1 - now.at(i, p.0, breaks)).abs()).collect();
        let mut sorted = off.clone();
        sorted.sort_by(f64::total_cmp);
        let limit = (5.0 * sorted[sorted.len() / 2]).max(1e-6);
        let mut bounds: Vec<usize> = breaks.to_vec();
        bounds.push(points.len());
        let kept: Vec<bool> = off.iter().map(|o| *o <= limit).collect();
        let count = |from: usize, to: usize| kept[from..to].iter().filter(|k| **k).count();
        let mut from = 0;
        let enough = bounds.iter().all(|b| {
            let n = count(from, *b);
            from = *b;
            n >= 2
        });
        if kept.iter().all(|k| *k) || !enough || count(0, kept.len()) < LEAST {
            return Some(());
        }
        for b in breaks.iter_mut() {
            *b = count(0, *b);
        }
        let mut kept = kept.into_iter();
        points.retain(|_| kept.next().unwrap_or(true));
        *now = solve(points, breaks)?;
    }
    Some(())
}

fn sorted(breaks: &[usize], more: usize) -> Vec<usize> {
    let mut all = breaks.to_vec();
    all.push(more);
    all.sort_unstable();
    all
}

/// The further break that leaves the least. What a further column z takes off the rest is (z'We)^2 / (z'Wz - z'WX (X'WX)^-1 X'Wz), with e
/// what is left so far (Frisch & Waugh 1933, added-variable regression; from memory): sums from each point to the end serve all places.
fn best_break(points: &[Point], breaks: &[usize], now: &Solved) -> Option<(usize, Solved)> {
    // From each point on: weight, weight times axis, weight times what is left.
    let mut from = vec![[0.0; 3]; points.len() + 1];
    for (i, p) in points.iter().enumerate().rev() {
        let (w, x, left) = (p.2 / now.mean_weight, now.axis(p.0), p.1 - now.at(i, p.0, breaks));
        let behind = from[i + 1];
        from[i] = [behind[0] + w, behind[1] + w * x, behind[2] + w * left];
    }
    let taken = |k: usize| {
        let mut shared = vec![from[k][0], from[k][1]];
        shared.extend(breaks.iter().map(|b| from[k.max(*b)][0]));
        let known = |j: usize| shared.iter().zip(&now.inverse[j]).map(|(s, v)| s * v).sum::<f64>();
        let own = from[k][0] - (0..shared.len()).map(|j| shared[j] * known(j)).sum::<f64>();
        if own > 1e-9 * from[k][0] { from[k][2].powi(2) / own } else { 0.0 }
    };
    let at = (SIDE..=points.len().saturating_sub(SIDE))
        .filter(|k| breaks.iter().all(|b| b.abs_diff(*k) >= SIDE))
        .map(|k| (k, taken(k)))
        .max_by(|a, b| a.1.total_cmp(&b.1))?
        .0;
    Some((at, solve(points, &sorted(breaks, at))?))
}

struct Solved {
    offset: f64,
    slope: f64,
    heights: Vec<f64>,
    /// Weighted sum of squares left, weights of mean 1.
    rest: f64,
    slope_spread: f64,
    offset_spread: f64,
    /// Inverse of the normal equations, on the axis that is centred and scaled.
    inverse: Vec<Vec<f64>>,
    mean_weight: f64,
    centre: f64,
    scale: f64,
}

impl Solved {
    fn axis(&self, t: f64) -> f64 {
        (t - self.centre) / self.scale
    }

    fn at(&self, index: usize, t: f64, breaks: &[usize]) -> f64 {
        let steps: f64 = breaks.iter().zip(&self.heights).filter(|(b, _)| index >= **b).map(|(_, h)| h).sum();
        self.offset + self.slope * t + steps
    }
}

/// Weighted least squares by the normal equations, the axis centred and scaled so that they stay well-conditioned.
fn solve(points: &[Point], breaks: &[usize]) -> Option<Solved> {
    let mean_weight = points.iter().map(|p| p.2).sum::<f64>() / points.len() as f64;
    let (low, high) = (points.first()?.0, points.last()?.0);
    let (centre, scale) = (low.midpoint(high), ((high - low) / 2.0).max(1e-9));
    let m = 2 + breaks.len();
    let row = |i: usize| -> Vec<f64> {
        let mut r = vec![1.0, (points[i].0 - centre) / scale];
        r.extend(breaks.iter().map(|b| if i >= *b { 1.0 } else { 0.0 }));
        r
    };
    // Normal equations with the identity beside them: the inverse is needed for the errors.
    let mut table = vec![vec![0.0; 2 * m + 1]; m];
    for (i, p) in points.iter().enumerate() {
        let (r, w) = (row(i), p.2 / mean_weight);
        for j in 0..m {
            for k in 0..m {
                table[j][k] += w * r[j] * r[k];
            }
            table[j][2 * m] += w * r[j] * p.1;
        }
    }
    for (j, r) in table.iter_mut().enumerate() {
        r[m + j] = 1.0;
    }
    eliminate(&mut table, m)?;
    let x: Vec<f64> = table.iter().map(|r| r[2 * m]).collect();
    let inverse: Vec<Vec<f64>> = table.iter().map(|r| r[m..2 * m].to_vec()).collect();
    let back = centre / scale;
    let rest = points
        .iter()
        .enumerate()
        .map(|(i, p)| p.2 / mean_weight * (p.1 - row(i).iter().zip(&x).map(|(a, b)| a * b).sum::<f64>()).powi(2))
        .sum();
    Some(Solved {
        offset: x[0] - x[1] * back,
        slope: x[1] / scale,
        heights: x[2..].to_vec(),
        rest,
        slope_spread: inverse[1][1].max(0.0).sqrt() / scale,
        offset_spread: (inverse[0][0] - 2.0 * back * inverse[0][1] + back * back * inverse[1][1]).max(0.0).sqrt(),
        inverse,
        mean_weight,
        centre,
        scale,
    })
}

/// Gauss and Jordan with pivots; `None` when the equations say nothing.
fn eliminate(table: &mut [Vec<f64>], m: usize) -> Option<()> {
    for j in 0..m {
        let pivot = (j..m).max_by(|a, b| table[*a][j].abs().total_cmp(&table[*b][j].abs()))?;
        table.swap(j, pivot);
        let lead = table[j][j];
        if lead.abs() < 1e-12 {
            return None;
        }
        table[j].iter_mut().for_each(|v| *v /= lead);
        let own = table[j].clone();
        for (i, row) in table.iter_mut().enumerate() {
            if i != j {
                let factor = row[j];
                for (v, o) in row.iter_mut().zip(&own) {
                    *v -= factor * o;
                }
            }
        }
    }
    Some(())
}
