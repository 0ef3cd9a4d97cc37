//! What is left of an order that was wiped.

use cabjury::model::ids::ClipId;
use cabjury::model::trial::{OrderRecord, SlotRecord, TrialKind};
use cabjury::trial::hidden::wipe;

#[test]
fn a_wiped_order_holds_nothing() {
    let slot =
        |label: &str| SlotRecord { label: label.to_owned(), clip: ClipId::new("c001").unwrap(), anchor: true, raised: true };
    let mut order = OrderRecord { kind: TrialKind::Scored, slots: vec![slot("A"), slot("B")], right: Some("A".to_owned()) };
    let room = order.slots.as_ptr();
    wipe(&mut order);
    assert!(order.slots.is_empty() && order.right.is_none());
    // The same memory, emptied, not another.
    assert_eq!(order.slots.as_ptr(), room);
}
