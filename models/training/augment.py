"""Batch augmentation on the training device: what cameras and codecs do to a picture.

Everything works on float tensors (B, 3, H, W) in 0..1, RGB order, one random draw per picture,
so that a few thousand cached frames never look the same twice.
"""

from __future__ import annotations

import math

import torch
import torch.nn.functional as F

LUMA = (0.299, 0.587, 0.114)  # ITU-R BT.601


def _draw(n: int, low: float, high: float, device: torch.device) -> torch.Tensor:
    return torch.rand(n, device=device) * (high - low) + low


def hue_rotation(images: torch.Tensor, amount: float = 0.35) -> torch.Tensor:
    """Rotate hue by up to +-``amount`` of the circle, scale saturation 0.4..1.7 (per picture).

    A rotation about the grey axis of RGB (Rodrigues), so luminance is nearly kept.
    """
    n, device = images.shape[0], images.device
    angle = _draw(n, -amount, amount, device) * 2 * math.pi
    angle = torch.where(torch.rand(n, device=device) < 0.7, angle, angle * 0.1)
    cos, sin = angle.cos(), angle.sin()
    third, root = 1.0 / 3.0, math.sqrt(1.0 / 3.0)
    a = cos + (1 - cos) * third
    b = third * (1 - cos) - root * sin
    c = third * (1 - cos) + root * sin
    matrix = torch.stack(
        [torch.stack([a, b, c], -1), torch.stack([c, a, b], -1), torch.stack([b, c, a], -1)], 1
    )
    turned = torch.einsum("nij,njhw->nihw", matrix.to(images.dtype), images)
    grey = turned.mean(1, keepdim=True)
    saturation = _draw(n, 0.4, 1.7, device).to(images.dtype).view(-1, 1, 1, 1)
    return grey + (turned - grey) * saturation


def exposure(images: torch.Tensor) -> torch.Tensor:
    """Gain, offset, gamma and a little colour cast per picture."""
    n, device = images.shape[0], images.device
    gain = _draw(n, 0.65, 1.4, device).view(-1, 1, 1, 1)
    cast = _draw(n * 3, 0.9, 1.1, device).view(n, 3, 1, 1)
    lift = _draw(n, -0.08, 0.08, device).view(-1, 1, 1, 1)
    gamma = torch.exp(_draw(n, -0.45, 0.45, device)).view(-1, 1, 1, 1)
    out = (images.float().clamp(0, 1).pow(gamma) * gain * cast + lift).clamp(0, 1)
    return out.to(images.dtype)


def _gaussian_kernels(sigma: torch.Tensor, radius: int) -> torch.Tensor:
    x = torch.arange(-radius, radius + 1, device=sigma.device, dtype=torch.float32)
    kernel = torch.exp(-0.5 * (x[None] / sigma[:, None].clamp_min(1e-3)) ** 2)
    return kernel / kernel.sum(1, keepdim=True)


def soften_or_sharpen(images: torch.Tensor, probability: float = 0.6) -> torch.Tensor:
    """Gaussian blur (sigma to 1.6 px, sometimes along one axis only: motion) or unsharp halos."""
    n, c, _, _ = images.shape
    device, radius = images.device, 4
    out = images.reshape(1, n * c, *images.shape[2:])
    for axis in (2, 3):
        sigma = _draw(n, 0.05, 1.6, device) * (torch.rand(n, device=device) < 0.6)
        kernel = _gaussian_kernels(sigma + 1e-3, radius).repeat_interleave(c, 0).to(images.dtype)
        shape = (n * c, 1, -1, 1) if axis == 2 else (n * c, 1, 1, -1)
        pad = (radius, 0) if axis == 2 else (0, radius)
        out = F.conv2d(out, kernel.view(shape), padding=pad, groups=n * c)
    blurred = out.reshape_as(images)
    kind = torch.rand(n, device=device).view(-1, 1, 1, 1)
    sharp = images + (images - blurred) * 1.5
    chosen = torch.where(kind < 0.75, blurred, sharp)
    use = (torch.rand(n, device=device) < probability).view(-1, 1, 1, 1)
    return torch.where(use, chosen, images)


def sensor_noise(images: torch.Tensor, probability: float = 0.6) -> torch.Tensor:
    """Signal-dependent noise, white or clumped (as denoised film is), mostly luminance."""
    n, _, h, w = images.shape
    device = images.device
    strength = (_draw(n, 0.0, 1.0, device) ** 2 * 0.09 * (torch.rand(n, device=device) < probability)).view(
        -1, 1, 1, 1
    )
    white = torch.randn(n, 3, h, w, device=device, dtype=images.dtype)
    luma = white[:, :1].expand(-1, 3, -1, -1)
    coarse = F.interpolate(
        torch.randn(n, 1, h // 2, w // 2, device=device, dtype=images.dtype), (h, w), mode="bilinear"
    )
    clumped = (torch.rand(n, device=device) < 0.5).view(-1, 1, 1, 1)
    noise = torch.where(clumped, coarse * 1.3, 0.7 * luma + 0.4 * white)
    return images + noise * strength.to(images.dtype) * (1.3 - images.clamp(0, 1))


def low_resolution(images: torch.Tensor, probability: float = 0.35) -> torch.Tensor:
    """Shrink a part of the batch to 45-90 % and blow it up again: 480p sold as 720p."""
    n, _, h, w = images.shape
    chosen = torch.rand(n, device=images.device) < probability
    if not bool(chosen.any()):
        return images
    factor = float(torch.rand(()) * 0.45 + 0.45)
    small = F.interpolate(images[chosen], (int(h * factor), int(w * factor)), mode="bilinear", antialias=True)
    out = images.clone()
    out[chosen] = F.interpolate(small, (h, w), mode="bicubic" if torch.rand(()) < 0.5 else "bilinear").to(
        images.dtype
    )
    return out


def _dct_matrix(device: torch.device) -> torch.Tensor:
    k = torch.arange(8, dtype=torch.float32, device=device)
    basis = torch.cos((2 * k[None, :] + 1) * k[:, None] * math.pi / 16) * math.sqrt(2 / 8)
    basis[0] /= math.sqrt(2)
    return basis


def compression_blocks(images: torch.Tensor, probability: float = 0.6) -> torch.Tensor:
    """Quantise 8x8 DCT blocks (coarser for high frequencies and chroma), as low bit rates do."""
    n, _, h, w = images.shape
    device = images.device
    h8, w8 = h // 8 * 8, w // 8 * 8
    chosen = torch.rand(n, device=device) < probability
    if not bool(chosen.any()):
        return images
    part = images[chosen, :, :h8, :w8].float()
    luma = (part * torch.tensor(LUMA, device=device).view(1, 3, 1, 1)).sum(1, keepdim=True)
    planes = torch.cat([luma, part[:, :1] - luma, part[:, 2:] - luma], 1)
    basis = _dct_matrix(device)
    both = torch.kron(basis, basis)  # a block's 64 values to its 64 waves: one product for all blocks
    blocks = planes.reshape(-1, 3, h8 // 8, 8, w8 // 8, 8).permute(0, 1, 2, 4, 3, 5).flatten(4)
    k = torch.arange(8, device=device)
    weight = (1.0 + 0.55 * (k[:, None] + k[None, :]).float()).flatten()
    step = torch.exp(_draw(part.shape[0], math.log(0.008), math.log(0.11), device)).view(-1, 1, 1, 1, 1)
    step = step * weight * torch.tensor([1.0, 2.0, 2.0], device=device).view(1, 3, 1, 1, 1)
    restored = (torch.round(blocks @ both.T / step) * step) @ both
    restored = restored.unflatten(4, (8, 8)).permute(0, 1, 2, 4, 3, 5)
    planes = restored.reshape(-1, 3, h8, w8)
    y, cr, cb = planes[:, 0], planes[:, 1], planes[:, 2]
    red, blue = cr + y, cb + y
    green = (y - LUMA[0] * red - LUMA[2] * blue) / LUMA[1]
    out = images.clone()
    out[chosen, :, :h8, :w8] = torch.stack([red, green, blue], 1).to(images.dtype)
    return out


def textures(n: int, height: int, width: int, device: torch.device) -> torch.Tensor:
    """Pictures of nothing (n, 3, h, w): grain of turf, gravel, cloth or noise, as hard negatives.

    Noise with a power law spectrum (amplitude f^-a, a 0.3 to 1.6), stretched along one axis, in one random
    colour with a little of a second. Any box in them is false.
    """
    fy = torch.fft.fftfreq(height, device=device).view(1, -1, 1)
    fx = torch.fft.rfftfreq(width, device=device).view(1, 1, -1)
    stretch = torch.exp(_draw(n, -0.9, 0.9, device)).view(-1, 1, 1)
    radius = ((fy * stretch) ** 2 + (fx / stretch) ** 2).sqrt().clamp_min(1.0 / width)
    amplitude = radius ** -_draw(n, 0.3, 1.6, device).view(-1, 1, 1)
    grain = []
    for _ in range(2):
        spectrum = torch.fft.rfft2(torch.randn(n, height, width, device=device))
        field = torch.fft.irfft2(spectrum * amplitude, s=(height, width))
        grain.append(field / field.flatten(1).std(1).view(-1, 1, 1).clamp_min(1e-6))
    base = _draw(n * 3, 0.12, 0.75, device).view(n, 3, 1, 1)
    tint = torch.randn(n, 3, 1, 1, device=device) * 0.04
    strength = torch.exp(_draw(n, math.log(0.02), math.log(0.25), device)).view(-1, 1, 1, 1)
    return (base + strength * grain[0][:, None] + tint * grain[1][:, None]).clamp(0, 1)


def tone_curves(images: torch.Tensor, probability: float = 0.3) -> torch.Tensor:
    """Bend each colour channel by a random curve of five knots; a few pictures swap channels or go grey.

    No camera does this: it takes colour away as a clue, so that what is left of a man is his shape.
    """
    n, c, _, _ = images.shape
    device = images.device
    knots = (
        torch.linspace(0, 1, 5, device=device).expand(n, c, 5) + torch.randn(n, c, 5, device=device) * 0.14
    )
    place = images * 4
    bent = knots[:, :, 0, None, None].expand_as(images)
    for i in range(4):
        rise = (knots[:, :, i + 1] - knots[:, :, i])[..., None, None]
        bent = torch.addcmul(bent, rise, (place - i).clamp(0, 1))
    what = torch.rand(n, device=device)
    order = torch.stack([torch.randperm(c, device=device) for _ in range(n)])
    swapped = bent.gather(1, order.view(n, c, 1, 1).expand_as(bent))
    grey = bent.mean(1, keepdim=True).expand_as(bent)
    pick = what.view(-1, 1, 1, 1)
    out = torch.where(pick < 0.25, swapped, torch.where(pick < 0.4, grey, bent))
    use = (torch.rand(n, device=device) < probability).view(-1, 1, 1, 1)
    return torch.where(use, out, images)


def uneven_light(images: torch.Tensor, probability: float = 0.35) -> torch.Tensor:
    """Multiply by a smooth field (clouds, floodlights) or by two levels with an edge (a stand's shadow)."""
    n, _, h, w = images.shape
    device = images.device
    field = F.interpolate(torch.randn(n, 1, 4, 6, device=device), (h, w), mode="bicubic")
    edge = torch.sigmoid(field * 25)
    kind = (torch.rand(n, device=device) < 0.4).view(-1, 1, 1, 1)
    depth = _draw(n, 0.1, 0.6, device).view(-1, 1, 1, 1)
    gain = torch.where(kind, 1 - depth * edge, torch.exp(field * depth * 0.5))
    use = (torch.rand(n, device=device) < probability).view(-1, 1, 1, 1)
    return torch.where(use, images * gain.to(images.dtype), images)


def flatten_texture(images: torch.Tensor, probability: float = 0.25, radius: int = 3) -> torch.Tensor:
    """Guided filter (He et al., 2010) by itself: fine texture goes, edges stay; or the reverse.

    Takes the renderer's own cloth and grass away; film that was cleaned of noise by its camera looks so.
    """
    n = images.shape[0]
    device = images.device
    chosen = torch.rand(n, device=device) < probability
    if not bool(chosen.any()):
        return images
    part = images[chosen].float()
    size = 2 * radius + 1

    def mean(x: torch.Tensor) -> torch.Tensor:
        return F.avg_pool2d(x, size, 1, radius, count_include_pad=False)

    average = mean(part)
    spread = mean(part * part) - average * average
    smooth = torch.exp(_draw(len(part), math.log(4e-4), math.log(1e-2), device)).view(-1, 1, 1, 1)
    slope = spread / (spread + smooth)
    flat = mean(slope) * part + mean(average - slope * average)
    strength = _draw(len(part), -0.8, 1.2, device).view(-1, 1, 1, 1)
    out = images.clone()
    out[chosen] = (part + (flat - part) * strength).to(images.dtype)
    return out


def recolour_blobs(images: torch.Tensor, most: int = 24, probability: float = 0.4) -> torch.Tensor:
    """Soft ellipses of changed colour anywhere in the picture: kits, stains, paint no palette foresaw."""
    n, _, h, w = images.shape
    device = images.device
    ys = torch.linspace(0, 1, -(-h // 4), device=device).view(1, -1, 1)  # soft: a quarter of the size does
    xs = torch.linspace(0, 1, -(-w // 4), device=device).view(1, 1, -1)
    out = images.clone()
    for i in torch.nonzero(torch.rand(n, device=device) < probability)[:, 0].tolist():
        k = int(torch.randint(4, most + 1, ()))
        cx, cy = torch.rand(k, 1, 1, device=device), torch.rand(k, 1, 1, device=device)
        rx = torch.exp(_draw(k, math.log(0.006), math.log(0.12), device)).view(-1, 1, 1)
        ry = rx * torch.exp(_draw(k, -0.4, 1.2, device)).view(-1, 1, 1)
        reach = ((xs - cx) / rx) ** 2 + ((ys - cy) / ry) ** 2
        weight = torch.sigmoid((1 - reach) * 6)
        gain = torch.exp(torch.randn(k, 3, device=device) * 0.35)
        log_gain = torch.einsum("khw,kc->chw", weight, gain.log()).clamp(-1.2, 1.2)
        log_gain = F.interpolate(log_gain[None], (h, w), mode="bilinear")[0]
        out[i] = images[i] * log_gain.exp().to(images.dtype)
    return out


def random_filters(images: torch.Tensor, probability: float = 0.2) -> torch.Tensor:
    """Blend with the picture after one random convolution: colours and textures of no known world.

    Xu et al., RandConv (arXiv 2007.13003): shapes stay, local statistics do not.
    """
    n = images.shape[0]
    device = images.device
    chosen = torch.rand(n, device=device) < probability
    part = images[chosen]
    if not len(part):
        return images
    size = (1, 3, 5)[int(torch.randint(3, ()))]
    kernel = torch.randn(len(part) * 3, 3, size, size, device=device) / math.sqrt(3 * size * size)
    flat = (part - 0.5).reshape(1, -1, *part.shape[2:])
    filtered = F.conv2d(flat, kernel.to(part.dtype), padding=size // 2, groups=len(part)).view_as(part)
    share = _draw(len(part), 0.0, 0.8, device).view(-1, 1, 1, 1)
    out = images.clone()
    out[chosen] = (part + (filtered * 1.5 + 0.5 - part) * share).clamp(0, 1).to(images.dtype)
    return out


def cartoon(images: torch.Tensor, probability: float = 0.15) -> torch.Tensor:
    """Smooth within edges several times over, then keep few levels of each colour: flat paint, no cloth."""
    n = images.shape[0]
    device = images.device
    chosen = torch.rand(n, device=device) < probability
    part = images[chosen].float()
    if not len(part):
        return images
    smooth = torch.exp(_draw(len(part), math.log(1e-3), math.log(2e-2), device)).view(-1, 1, 1, 1)
    for radius in (2, 4):
        size = 2 * radius + 1
        average = F.avg_pool2d(part, size, 1, radius, count_include_pad=False)
        spread = F.avg_pool2d(part * part, size, 1, radius, count_include_pad=False) - average * average
        slope = spread / (spread + smooth)
        part = slope * part + (1 - slope) * average
    levels = _draw(len(part), 3.0, 12.0, device).view(-1, 1, 1, 1)
    shift = torch.rand(len(part), 3, 1, 1, device=device)
    few = (part * levels + shift).round() - shift
    out = images.clone()
    out[chosen] = (few / levels).clamp(0, 1).to(images.dtype)
    return out


def photometric(
    images: torch.Tensor, hue: float = 0.35, wild: bool = False, faults: bool = True
) -> torch.Tensor:
    """The whole chain in camera order: colour, exposure, optics, sensor, resolution, codec.

    wild: before that, changes no camera makes (texture, colour curves, blobs, light), so that less of what
    is learnt belongs to the renderer. faults: optics, sensor, resolution and codec; False: only colours and
    exposure.
    """
    if wild:
        images = cartoon(flatten_texture(images))
        images = recolour_blobs(uneven_light(random_filters(tone_curves(images)))).clamp(0, 1)
    images = hue_rotation(images, hue)
    images = exposure(images)
    if faults:
        images = low_resolution(sensor_noise(soften_or_sharpen(images)))
        images = compression_blocks(images)
    return images.clamp(0, 1)


def random_windows(
    n: int,
    canvas_hw: tuple[int, int],
    out_hw: tuple[int, int],
    device: torch.device,
    scales: tuple[float, float],
) -> tuple[torch.Tensor, torch.Tensor]:
    """Random scale, shift, small rotation-free stretch and mirror as affine maps.

    Returns (theta (n,2,3) for ``affine_grid``: output to canvas in normalised coordinates;
    forward (n,2,3): canvas pixels to output pixels).
    """
    ch, cw = canvas_hw
    oh, ow = out_hw
    scale = torch.exp(_draw(n, math.log(scales[0]), math.log(scales[1]), device)) * ow / cw
    stretch = torch.exp(_draw(n, -0.06, 0.06, device))
    sx, sy = scale * stretch, scale / stretch
    slack_x, slack_y = cw * sx - ow, ch * sy - oh
    left = torch.where(
        slack_x > 0, slack_x * torch.rand(n, device=device), slack_x * torch.rand(n, device=device)
    )
    top = torch.where(
        slack_y > 0, slack_y * torch.rand(n, device=device), slack_y * torch.rand(n, device=device)
    )
    mirror = torch.where(torch.rand(n, device=device) < 0.5, -1.0, 1.0)
    forward = torch.zeros(n, 2, 3, device=device)
    forward[:, 0, 0], forward[:, 0, 2] = sx * mirror, torch.where(mirror > 0, -left, ow + left)
    forward[:, 1, 1], forward[:, 1, 2] = sy, -top
    theta = torch.zeros(n, 2, 3, device=device)
    # canvas_x = (out_x - tx) / a ; normalised: out_x = (gx + 1) * ow / 2, canvas_x = (cx + 1) * cw / 2
    a, tx = forward[:, 0, 0], forward[:, 0, 2]
    d, ty = forward[:, 1, 1], forward[:, 1, 2]
    theta[:, 0, 0] = ow / (a * cw)
    theta[:, 0, 2] = (ow / 2 - tx) * 2 / (a * cw) - 1
    theta[:, 1, 1] = oh / (d * ch)
    theta[:, 1, 2] = (oh / 2 - ty) * 2 / (d * ch) - 1
    return theta, forward


def cut_windows(
    pictures: torch.Tensor,
    canvas_hw: tuple[int, int],
    theta: torch.Tensor,
    forward: torch.Tensor,
    out_hw: tuple[int, int],
) -> torch.Tensor:
    """(n, 3, *out_hw) float 0..1: the windows of ``random_windows``, one of each picture (n, 3, H, W) uint8.

    Bilinear taps do for shrinking to three quarters. Pictures finer than the canvas whose window needs more
    are brought to the canvas first, with a filter.
    """
    images = pictures.to(torch.float32) / 255
    grid = F.affine_grid(theta.to(images.device), [len(images), 3, *out_hw], align_corners=False)
    small = (forward[:, 0, 0].abs() < 0.75 * images.shape[3] / canvas_hw[1]).to(images.device)
    if images.shape[3] == canvas_hw[1] or not bool(small.any()):
        return _tapped(images, grid)
    out = torch.empty((len(images), 3, *out_hw), device=images.device)
    plain = F.interpolate(images[small], canvas_hw, mode="bilinear", antialias=True)
    out[small] = _tapped(plain, grid[small])
    if not bool(small.all()):
        out[~small] = _tapped(images[~small], grid[~small])
    return out


def _tapped(images: torch.Tensor, grid: torch.Tensor) -> torch.Tensor:
    return F.grid_sample(images, grid, padding_mode="zeros", align_corners=False)
