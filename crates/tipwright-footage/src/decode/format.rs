//! Where FFmpeg keeps luma and chroma of a frame, for every planar or packed YUV format it has.
//!
//! 8-bit and 10-bit planes are handed on by reference. What cannot be (interleaved chroma of nv12 and p010, depths of
//! 9, 12, 14 or 16 bits, samples in the high bits) is copied once into buffers that are kept from frame to frame.

use std::ffi::CStr;

use ffmpeg_the_third as ff;
use ffmpeg_the_third::ffi;
use tipwright::model::footage::{Plane, PlaneData, Planes};

/// One component of a pixel format.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Component {
    plane: usize,
    step: usize,
    offset: usize,
    shift: u32,
    depth: u32,
}

impl Component {
    fn bytes(self) -> usize {
        if self.depth > 8 { 2 } else { 1 }
    }

    fn by_reference(self) -> bool {
        self.step == self.bytes() && self.offset == 0 && self.shift == 0 && matches!(self.depth, 8 | 10)
    }
}

/// Layout of the samples of a YUV or grey format.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct SampleLayout {
    luma: Component,
    chroma: Option<[Component; 2]>,
    chroma_shift: [u32; 2],
    full_range_by_name: bool,
}

impl SampleLayout {
    /// Layout of an FFmpeg pixel format number; the format's name when it is not one this program reads.
    pub(crate) fn of(format: i32) -> Result<Self, String> {
        // SAFETY: any number may be asked for; FFmpeg returns null or a static descriptor.
        let descriptor = unsafe { ffi::av_pix_fmt_desc_get(ffi::AVPixelFormat(format)).as_ref() };
        let descriptor = descriptor.ok_or_else(|| format!("pixel format {format}"))?;
        // SAFETY: the name of a descriptor is a static C string.
        let name = unsafe { CStr::from_ptr(descriptor.name) }.to_string_lossy().into_owned();
        let refused = [
            ffi::AV_PIX_FMT_FLAG_PAL,
            ffi::AV_PIX_FMT_FLAG_BITSTREAM,
            ffi::AV_PIX_FMT_FLAG_HWACCEL,
            ffi::AV_PIX_FMT_FLAG_RGB,
            ffi::AV_PIX_FMT_FLAG_BAYER,
            ffi::AV_PIX_FMT_FLAG_FLOAT,
        ]
        .iter()
        .fold(0u64, |all, flag| all | u64::from(flag.unsigned_abs()));
        let component = |idx: usize| {
            let c = &descriptor.comp[idx];
            Component {
                plane: c.plane as usize,
                step: c.step as usize,
                offset: c.offset as usize,
                shift: c.shift as u32,
                depth: c.depth as u32,
            }
        };
        let luma = component(0);
        let big_endian = descriptor.flags & u64::from(ffi::AV_PIX_FMT_FLAG_BE.unsigned_abs()) != 0;
        if descriptor.flags & refused != 0
            || !(8..=16).contains(&luma.depth)
            || (big_endian && luma.depth > 8)
        {
            return Err(name);
        }
        Ok(Self {
            luma,
            chroma: (descriptor.nb_components >= 3).then(|| [component(1), component(2)]),
            chroma_shift: [u32::from(descriptor.log2_chroma_w), u32::from(descriptor.log2_chroma_h)],
            full_range_by_name: name.starts_with("yuvj"),
        })
    }
}

/// Copies of planes that cannot be handed on by reference.
#[derive(Debug, Default)]
struct Copies {
    bits8: [Vec<u8>; 3],
    bits10: [Vec<u16>; 3],
}

/// A decoded frame together with what had to be copied out of it.
pub(crate) struct Slot {
    pub(crate) frame: ff::frame::Video,
    layout: Option<(i32, SampleLayout)>,
    copies: Copies,
}

impl Slot {
    pub(crate) fn new() -> Self {
        Self { frame: ff::frame::Video::empty(), layout: None, copies: Copies::default() }
    }

    /// Makes the frame just received ready for [`Self::planes`]; the format's name when it cannot be read.
    pub(crate) fn prepare(&mut self) -> Result<(), String> {
        // SAFETY: the frame is owned by this slot and allocated.
        let format = unsafe { (*self.frame.as_ptr()).format };
        let layout = match self.layout {
            Some((known, layout)) if known == format => layout,
            _ => SampleLayout::of(format)?,
        };
        self.layout = Some((format, layout));
        let (width, height) = (self.frame.width() as usize, self.frame.height() as usize);
        let (cw, ch) = chroma_size(layout, width, height);
        let mut components = vec_of_components(layout, [width, height], [cw, ch]);
        for (idx, part) in components.iter_mut().enumerate() {
            let Some((component, [w, h])) = *part else { continue };
            if component_pointer(&self.frame, component, w, h).is_none() {
                return Err("a frame without a plane".to_owned());
            }
            if !component.by_reference() {
                copy_component(&self.frame, component, [w, h], idx, &mut self.copies);
            }
        }
        Ok(())
    }

    /// The planes of the frame last prepared.
    pub(crate) fn planes(&self) -> Option<Planes<'_>> {
        let (_, layout) = self.layout?;
        let size = [self.frame.width() as usize, self.frame.height() as usize];
        let (cw, ch) = chroma_size(layout, size[0], size[1]);
        let plane = |component: Component, [width, height]: [usize; 2], idx: usize| {
            if component.by_reference() {
                let (pointer, line_bytes) = component_pointer(&self.frame, component, width, height)?;
                let stride = line_bytes / component.bytes();
                let len = stride * (height - 1) + width;
                // SAFETY: FFmpeg guarantees `height` lines of `linesize` bytes from data[plane], of which the last
                // may be shorter; `len` ends with the last sample of the last line. The buffer belongs to the
                // frame, which this slot owns and does not touch while the borrow lasts. 10-bit planes are aligned
                // to at least 2 bytes (checked in `component_pointer`).
                let data = unsafe {
                    if component.depth == 8 {
                        PlaneData::Bits8(std::slice::from_raw_parts(pointer, len))
                    } else {
                        PlaneData::Bits10(std::slice::from_raw_parts(pointer.cast::<u16>(), len))
                    }
                };
                Some(Plane { data, width, height, stride })
            } else {
                let data = if component.depth == 8 {
                    PlaneData::Bits8(&self.copies.bits8[idx])
                } else {
                    PlaneData::Bits10(&self.copies.bits10[idx])
                };
                Some(Plane { data, width, height, stride: width })
            }
        };
        let chroma = layout.chroma;
        Some(Planes {
            luma: plane(layout.luma, size, 0)?,
            cb: chroma.and_then(|c| plane(c[0], [cw, ch], 1)),
            cr: chroma.and_then(|c| plane(c[1], [cw, ch], 2)),
            chroma_step: [1 << layout.chroma_shift[0], 1 << layout.chroma_shift[1]],
            full_range: layout.full_range_by_name
                || self.frame.color_range() == ff::color::Range::JPEG
                || (chroma.is_none() && self.frame.color_range() == ff::color::Range::Unspecified),
        })
    }
}

fn chroma_size(layout: SampleLayout, width: usize, height: usize) -> (usize, usize) {
    let [sx, sy] = layout.chroma_shift;
    (width.div_ceil(1 << sx), height.div_ceil(1 << sy))
}

fn vec_of_components(
    layout: SampleLayout,
    size: [usize; 2],
    chroma_size: [usize; 2],
) -> [Option<(Component, [usize; 2])>; 3] {
    [
        Some((layout.luma, size)),
        layout.chroma.map(|c| (c[0], chroma_size)),
        layout.chroma.map(|c| (c[1], chroma_size)),
    ]
}

/// Start and line length in bytes of the plane of a component; `None` for a plane that is absent, stored bottom-up,
/// too narrow or oddly aligned.
fn component_pointer(
    frame: &ff::frame::Video,
    component: Component,
    width: usize,
    height: usize,
) -> Option<(*const u8, usize)> {
    // SAFETY: the frame is allocated; data and linesize are plain fields.
    let (pointer, line_bytes) = unsafe {
        let raw = &*frame.as_ptr();
        (raw.data[component.plane].cast_const(), raw.linesize[component.plane])
    };
    let line_bytes = usize::try_from(line_bytes).ok()?;
    let fits = line_bytes >= width.checked_sub(1)? * component.step + component.offset + component.bytes();
    let aligned = component.bytes() == 1 || ((pointer as usize).is_multiple_of(2) && line_bytes % 2 == 0);
    (!pointer.is_null() && height > 0 && fits && aligned).then_some((pointer, line_bytes))
}

fn copy_component(
    frame: &ff::frame::Video,
    component: Component,
    [width, height]: [usize; 2],
    idx: usize,
    copies: &mut Copies,
) {
    let Some((pointer, line_bytes)) = component_pointer(frame, component, width, height) else { return };
    let (out8, out10) = (&mut copies.bits8[idx], &mut copies.bits10[idx]);
    out8.clear();
    out10.clear();
    for row in 0..height {
        // SAFETY: as in `Slot::planes`; `component_pointer` has checked that a line holds all samples.
        let line = unsafe {
            std::slice::from_raw_parts(
                pointer.add(row * line_bytes + component.offset),
                (width - 1) * component.step + component.bytes(),
            )
        };
        let samples = line.chunks(component.step);
        if component.depth == 8 {
            out8.extend(samples.map(|s| s[0]));
        } else {
            let mask = (1u32 << component.depth) - 1;
            out10.extend(samples.map(|s| {
                let value = (u32::from(u16::from_le_bytes([s[0], s[1]])) >> component.shift) & mask;
                let ten = if component.depth >= 10 {
                    value >> (component.depth - 10)
                } else {
                    value << (10 - component.depth)
                };
                ten as u16
            }));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// p010 (10 bits in the high bits, chroma interleaved) comes from hardware decoders only, so it is filled by hand.
    #[test]
    fn high_bits_and_interleaved_chroma_are_copied_out() {
        let mut slot = Slot::new();
        slot.frame = ff::frame::Video::new(ff::format::Pixel::P010LE, 8, 4);
        for plane in 0..2 {
            for (idx, pair) in slot.frame.data_mut(plane).chunks_exact_mut(2).enumerate() {
                pair.copy_from_slice(&(((idx as u16 * 7 + plane as u16) % 1024) << 6).to_le_bytes());
            }
        }
        slot.prepare().unwrap();
        let planes = slot.planes().unwrap();
        let (line_y, line_c) = (slot.frame.stride(0) / 2, slot.frame.stride(1) / 2);
        let PlaneData::Bits10(luma) = planes.luma.data else { panic!("10 bits") };
        let PlaneData::Bits10(cb) = planes.cb.unwrap().data else { panic!("10 bits") };
        let PlaneData::Bits10(cr) = planes.cr.unwrap().data else { panic!("10 bits") };
        assert_eq!(planes.chroma_step, [2, 2]);
        assert_eq!(luma[2 * planes.luma.stride + 3], ((2 * line_y + 3) as u16 * 7) % 1024);
        let at = line_c + 2 * 3;
        assert_eq!(cb[4 + 3], (at as u16 * 7 + 1) % 1024);
        assert_eq!(cr[4 + 3], ((at + 1) as u16 * 7 + 1) % 1024);
    }
}
