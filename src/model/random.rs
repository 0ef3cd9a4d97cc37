//! Random words that are handed in: calculation rooms never reach for a global generator.

/// A source of uniform random 64-bit words.
///
/// People's trials get one that is seeded from the operating system; tests and the demo hand in a seeded one and say so.
pub trait RandomWords {
    /// The next uniform word.
    fn next_word(&mut self) -> u64;

    /// An unbiased integer in `0..n` by rejection on the low `ceil(log2 n)` bits; 0 when `n` is 0 or 1.
    fn below(&mut self, n: u64) -> u64 {
        if n < 2 {
            return 0;
        }
        let mask = u64::MAX >> (n - 1).leading_zeros();
        loop {
            let word = self.next_word() & mask;
            if word < n {
                return word;
            }
        }
    }

    /// Puts `items` in a fair random order: Fisher-Yates as Durstenfeld gave it, k from the end, j uniform in 0..=k.
    fn shuffle<T>(&mut self, items: &mut [T])
    where
        Self: Sized,
    {
        for k in (1..items.len()).rev() {
            let j = self.below(k as u64 + 1) as usize;
            items.swap(k, j);
        }
    }

    /// A uniform number in [0, 1) with 53 bits.
    fn unit(&mut self) -> f64 {
        // 2^-53: the spacing of doubles just below 1.
        (self.next_word() >> 11) as f64 * (1.0 / 9_007_199_254_740_992.0)
    }
}

impl<R: RandomWords + ?Sized> RandomWords for &mut R {
    fn next_word(&mut self) -> u64 {
        (**self).next_word()
    }
}

impl<R: RandomWords + ?Sized> RandomWords for Box<R> {
    fn next_word(&mut self) -> u64 {
        (**self).next_word()
    }
}
